"""What `check --json` prints: one object with a schema version."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from console.pipeline.evidence import Evidence, SourceReport

SCHEMA = 1


def check_object(evidence: Evidence) -> dict[str, Any]:
    """The whole report, ready for JSON; times in ns on the common axis."""
    return {
        "schema": SCHEMA,
        "bench": evidence.name,
        "interrupted": evidence.interrupted,
        "start_ns": evidence.start_ns,
        "end_ns": evidence.end_ns,
        "sources": [_source(source) for source in evidence.sources],
        "clocks": evidence.tables["clocks"].to_dicts(),
        "trust": evidence.tables["trust"].to_dicts(),
        "findings": [asdict(finding) for finding in evidence.findings],
        "counts": {name: table.height for name, table in evidence.tables.items()},
    }


def _source(source: SourceReport) -> dict[str, Any]:
    return {
        "name": source.name,
        "kind": source.kind,
        "files": source.files,
        "events": source.events,
        "first_ns": source.first_ns,
        "last_ns": source.last_ns,
        "assumed": source.assumed,
        "stopped": str(source.stopped) if source.stopped else None,
    }

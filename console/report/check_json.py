"""What `check --json` prints: one object with a schema version."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from console.diagnosis.story import Story
from console.pipeline.evidence import Evidence, SourceReport
from console.pipeline.telling import Told

SCHEMA = 1


def check_object(evidence: Evidence, told: Told | None = None) -> dict[str, Any]:
    """The whole report, ready for JSON; times in ns on the common axis.

    Args:
        evidence: what to tell.
        told: why peripherals stopped; None leaves that out.
    """
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
        "stories": [] if told is None else [_story(story) for story in told.stories],
    }


def _story(story: Story) -> dict[str, Any]:
    return {
        "device": story.episode.device,
        "last_good_ns": story.episode.last_good_ns,
        "first_bad_ns": story.episode.first_bad_ns,
        "head": story.head,
        "parts": [
            {
                "title": part.title,
                "lines": [
                    {"words": line.words, "t_ns": None if line.place is None else line.place.t_ns}
                    for line in part.lines
                ],
            }
            for part in story.parts
        ],
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

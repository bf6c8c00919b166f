"""Findings: what a rule found broken, and the table of them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import polars as pl

Severity = Literal["fault", "warning", "note"]
SEVERITIES: tuple[Severity, ...] = ("fault", "warning", "note")  # gravest first

SILENCES = ("stops-answering", "line-held")  # rules about who went silent

# Times kept of one finding that stands for many events; the rest is counted.
TIMES_KEPT = 1000


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule broken; evidence is plain data that JSON can hold."""

    t_ns: int  # common axis: where it begins
    rule: str  # the kind of rule, such as "stops-answering"
    severity: Severity
    party: str  # whose it is: a device, an address on a bus, a source, a topic
    source: str  # the source it was seen in; "" when several
    summary: str  # one line for people; names in it come from outside and are not cleaned
    evidence: Mapping[str, Any]


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Findings by time; at one time the gravest first, then by rule, party and words."""
    return sorted(
        findings,
        key=lambda f: (f.t_ns, SEVERITIES.index(f.severity), f.rule, f.party, f.summary),
    )


def gravest_first(finding: Finding) -> tuple[int, bool, int]:
    """To sort by: who went silent is what is looked for, so it goes before other faults."""
    return SEVERITIES.index(finding.severity), finding.rule not in SILENCES, finding.t_ns


def findings_frame(findings: Iterable[Finding]) -> pl.DataFrame:
    """The `findings` table, in time order; `evidence` is JSON text."""
    rows = in_order(findings)
    return pl.DataFrame(
        {
            "t_ns": [f.t_ns for f in rows],
            "rule": [f.rule for f in rows],
            "severity": [f.severity for f in rows],
            "party": [f.party for f in rows],
            "source": [f.source for f in rows],
            "summary": [f.summary for f in rows],
            "evidence": [json.dumps(dict(f.evidence), ensure_ascii=False) for f in rows],
        },
        schema={
            "t_ns": pl.Int64,
            "rule": pl.String,
            "severity": pl.String,
            "party": pl.String,
            "source": pl.String,
            "summary": pl.String,
            "evidence": pl.String,
        },
    )


@dataclass(slots=True)
class Tally:
    """Many equal events told as one: how many, first, last, and the first of their times."""

    count: int = 0
    first_ns: int = 0
    last_ns: int = 0
    times_ns: list[int] = field(default_factory=list)

    def add(self, times_ns: npt.NDArray[np.int64]) -> None:
        """Count events at these times, which are not before those counted already."""
        if not len(times_ns):
            return
        if not self.count:
            self.first_ns = int(times_ns[0])
        self.last_ns = int(times_ns[-1])
        self.count += len(times_ns)
        self.times_ns += times_ns[: TIMES_KEPT - len(self.times_ns)].tolist()

    def evidence(self) -> dict[str, Any]:
        """Its part of a finding's evidence; `times_ns` holds the first `TIMES_KEPT`."""
        return {
            "count": self.count,
            "first_ns": self.first_ns,
            "last_ns": self.last_ns,
            "times_ns": list(self.times_ns),
        }


def counted(n: int, one: str, many: str = "") -> str:
    """`1 poll`, `2,047 polls`."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"

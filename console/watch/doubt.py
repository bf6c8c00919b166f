"""Findings that rest on a span of which the trust sheet says that it proves little."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from console.trust.sheet import TrustRow
from console.trust.unobserved import MISSING
from console.watch.findings import Finding

Int64s = npt.NDArray[np.int64]

DOUBT = "doubt"  # the key in a finding's evidence: kinds of rows of the trust sheet

# What a rule has found itself is no doubt about it.
_OWN = {
    "sequence": {"lost", "repeated", "bytes-missing"},
    "unreadable": {"stopped", "ends-early"},
    "undecoded": {"undecodable"},
}
_PLACES = {"not-aligned", "ambiguous"}  # nothing against what one source tells of itself
_EVER = 2**62


def doubted(findings: Iterable[Finding], trust: Sequence[TrustRow]) -> list[Finding]:
    """The findings, each with the kinds of doubt that touch it in its evidence.

    A finding is touched by a row of its source (of any, when it has none) that is no mere note and
    overlaps the times it is about.
    """
    rows = [row for row in trust if row.severity != "note"]
    return [_with_doubt(finding, rows) for finding in findings]


def _with_doubt(finding: Finding, rows: Sequence[TrustRow]) -> Finding:
    starts, ends = _times(finding)
    own = _OWN.get(finding.rule, set())
    kinds = [
        row.kind
        for row in rows
        if row.kind not in own
        and not (row.kind in _PLACES and _is_within_one_source(finding))
        and finding.source in ("", row.source)
        and _overlaps(row, starts, ends)
    ]
    if not kinds:
        return finding
    return replace(finding, evidence={**finding.evidence, DOUBT: list(dict.fromkeys(kinds))})


def _is_within_one_source(finding: Finding) -> bool:
    """Whether a finding compares no times of two sources."""
    replied = finding.evidence.get("reply_source") == finding.source
    return finding.source != "" and (finding.rule != "reply-within" or replied)


def _overlaps(row: TrustRow, starts: Int64s, ends: Int64s) -> bool:
    """Whether any stretch of time overlaps the row's; what stands at the ends of a gap was seen."""
    inside = int(row.severity == "gap" or row.kind in MISSING)
    begun = ends >= _early(row.from_ns) + inside
    return bool((begun & (starts <= _late(row.until_ns) - inside)).any())


def _early(t_ns: int | None) -> int:
    return -_EVER if t_ns is None else t_ns


def _late(t_ns: int | None) -> int:
    return _EVER if t_ns is None else t_ns


def _times(finding: Finding) -> tuple[Int64s, Int64s]:
    """Beginnings and ends of the stretches of time a finding is about."""
    evidence: Any = finding.evidence
    last_good, first_bad = evidence.get("last_good_ns"), evidence.get("first_bad_ns")
    if isinstance(last_good, int) and isinstance(first_bad, int):
        return np.array([min(last_good, first_bad)]), np.array([max(last_good, first_bad)])
    times = evidence.get("times_ns")
    if times and len(times) == evidence.get("count"):
        starts = np.array(times, np.int64)
        return starts, starts + int(evidence.get("within_ns") or 0)
    first, last = evidence.get("first_ns"), evidence.get("last_ns")
    if isinstance(first, int) and isinstance(last, int):
        return np.array([first]), np.array([last])
    return np.array([finding.t_ns]), np.array([finding.t_ns])

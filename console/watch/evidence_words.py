"""The evidence of a finding in words: a label and a value for each thing it holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from console.timeline.times import since_start
from console.watch.doubt import DOUBT
from console.watch.findings import Finding
from console.watch.stop_words import HOW_WORDS
from decoders.durations import in_words

LEAST_BAND_NS = 1_000
# What is said elsewhere: the times one by one, and how well they are known.
_ELSEWHERE = ("times_ns", "keys", "band_ns", "of", DOUBT)
_LENGTHS = ("within_ns", "held_ns", "longest_ns", "period_ns", "silent_ns", "silence_ns")
_LABELS = {
    "last_good_ns": "last good",
    "first_bad_ns": "first bad",
    "recovered_ns": "answered again",
    "elapsed_s": "answered for",
    "longest_polls": "longest run",
    "within_ns": "allowed",
    "held_ns": "held for",
    "silent_ns": "silent for",
    "longest_ns": "longest",
    "first_ns": "first",
    "last_ns": "last",
    "start_ns": "from",
    "end_ns": "until",
    "until_ns": "until",
    "request_where": "request",
    "reply_where": "reply",
    "where": "rows",
    "min": "at least",
    "max": "at most",
}


def evidence_words(finding: Finding, start_ns: int) -> Iterator[tuple[str, str]]:
    """Labels and values in the order of the evidence; text from outside in them is not cleaned.

    Args:
        finding: what was found.
        start_ns: when the run began; times are said since then, to the digits their band allows.
    """
    evidence = finding.evidence
    for key, value in evidence.items():
        if key in _ELSEWHERE or value is None or value == "":
            continue
        label = _LABELS.get(key, key.removesuffix("_ns").replace("_", " "))
        yield label, _value(key, value, finding, start_ns)
    if "of" in evidence and "count" not in evidence:
        yield "of", _plain(evidence["of"])
    if band := evidence.get("band_ns"):
        yield "time known within", in_words(band)
    if kinds := evidence.get(DOUBT):
        yield "in doubt", ", ".join(map(str, kinds))


def times_of(finding: Finding) -> list[int]:
    """The moments of a finding, ns on the common axis: those it kept, or where it begins."""
    times = finding.evidence.get("times_ns")
    return [int(t) for t in times] if times else [finding.t_ns]


def count_of(finding: Finding) -> int:
    """How many events it stands for."""
    count = finding.evidence.get("count")
    return count if isinstance(count, int) else 1


def last_of(finding: Finding) -> int:
    """When it was last so, ns; where it begins when it tells of one moment."""
    last = finding.evidence.get("last_ns")
    return last if isinstance(last, int) and last >= finding.t_ns else finding.t_ns


def band_of(finding: Finding) -> int | None:
    """Half-width within which its times are known, at least 1 us: more digits only hide others.

    None where nobody tells.
    """
    band = finding.evidence.get("band_ns")
    return max(band, LEAST_BAND_NS) if isinstance(band, int) else None


def _value(key: str, value: Any, finding: Finding, start_ns: int) -> str:
    if key == "how":
        return HOW_WORDS.get(value, str(value))
    if key in ("address", "addresses"):
        return _many(value, lambda a: f"0x{a:02X}" if isinstance(a, int) else str(a))
    if key == "elapsed_s" and isinstance(value, int | float):
        return in_words(value * 1e9)
    if key.endswith("_ns") and isinstance(value, int):
        if key in _LENGTHS:
            return in_words(value)
        return since_start(value - start_ns, band_of(finding))
    if key == "count" and "of" in finding.evidence:
        return f"{_plain(value)} of {_plain(finding.evidence['of'])}"
    return _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        return f"{value:,.6g}"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain(v)}" for key, v in value.items())
    return _many(value, _plain) if isinstance(value, list | tuple) else str(value)


def _many(value: Any, said: Callable[[Any], str], most: int = 12) -> str:
    """One value, or the first of several."""
    if not isinstance(value, list | tuple):
        return said(value)
    rest = f" and {len(value) - most:,} more" if len(value) > most else ""
    return ", ".join(said(v) for v in value[:most]) + rest

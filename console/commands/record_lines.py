"""What `lastack record` says in lines: findings, what happens to sources, how it goes, the end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from console.pipeline.raising import Told
from console.pipeline.recording_state import RecordingState
from console.printable import printable
from console.sources.records import Happened
from console.watch.findings import SEVERITIES, counted
from decoders.durations import in_words

SCHEMA = 1


def finding_object(told: Told) -> dict[str, Any]:
    """A finding as `--json` and `--on-finding` give it; times in ns since 1970.

    `event` is "raised" when it is first seen, "over" when a finding that was raised is complete.
    """
    event = "over" if told.is_over else "raised"
    finding = asdict(told.finding)
    finding["evidence"] = dict(told.finding.evidence)
    return {"schema": SCHEMA, "event": event, "raised_ns": told.raised_ns, **finding}


def finding_line(told: Told) -> str:
    """A finding in one line, cleaned: severity, when it begins, whose and what."""
    finding = told.finding
    party, summary = printable(finding.party), printable(finding.summary)
    text = summary if summary.startswith(party) else f"{party}: {summary}"
    word = "over" if told.is_over else finding.severity
    return f"{word:7}  {at_words(finding.t_ns)}  {text}"


def happened_line(happened: Happened) -> str:
    """What happened to a source, in one line, cleaned."""
    detail = f": {happened.detail}" if happened.detail else ""
    return printable(f"{happened.source}: {happened.what}{detail}")


class Troubles:
    """Which happenings are news: why a source is not open is told once, not at every try."""

    def __init__(self) -> None:
        self._told: dict[str, set[tuple[str, str]]] = {}
        self._opened: set[str] = set()

    def is_news(self, happened: Happened, required: Collection[str] = ()) -> bool:
        """Whether to tell it.

        Args:
            happened: the next one.
            required: sources whose failure at first ends the recording, and is told by that.
        """
        told = self._told.setdefault(happened.source, set())
        if happened.what == "opened":
            self._opened.add(happened.source)
            told.clear()
        if happened.what not in ("refused", "retry"):
            return True
        if happened.source in required and happened.source not in self._opened:
            return False
        key = (happened.what, happened.detail if happened.what == "refused" else "")
        is_news = key not in told
        told.add(key)
        return is_news


def end_line(state: RecordingState, raised: Mapping[str, int]) -> str:
    """What came of it."""
    found = ", ".join(counted(raised.get(s, 0), s) for s in SEVERITIES)
    lost = f", {state.lost:,} lost" if state.lost else ""
    lasted = in_words(state.now_ns - state.started_ns)
    return printable(
        f"recorded {lasted} into {state.folder}: {counted(state.stored, 'record')}{lost}; {found}"
    )


def at_words(t_ns: int) -> str:
    """A time as the clock on the wall of this machine shows it, to the millisecond."""
    seconds, ns = divmod(t_ns, 1_000_000_000)
    return f"{datetime.fromtimestamp(seconds):%Y-%m-%d %H:%M:%S}.{ns // 1_000_000:03}"


def bad_count(raised: Mapping[str, int], fail_on: str) -> int:
    """How many findings are at or above a severity."""
    counts = Counter(raised)
    return sum(counts[s] for s in SEVERITIES[: SEVERITIES.index(fail_on) + 1])

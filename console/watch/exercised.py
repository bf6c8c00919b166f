"""What an exercise missed, from the events of its steps: the same live and of a stored run.

The steps of an exercise are happenings of a source of their own. That something was missed is told
in words, and behind them as a JSON object for the finding's evidence.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from console.bench.exercise_checks import EXERCISE
from console.watch.findings import Finding
from console.watch.rule import Batch

RULE = "exercise"
_BEGINS = "missed: "
_EVIDENCE = ' {"exercise": '  # in JSON the quotes of a text are escaped, so the last one is ours


def missed_words(summary: str, exercise: str, evidence: Mapping[str, Any]) -> str:
    """The detail of a happening that tells what was missed.

    Args:
        summary: in words.
        exercise: its name.
        evidence: what JSON can hold.
    """
    return f"{_BEGINS}{summary} {json.dumps({'exercise': exercise, **evidence})}"


def missed_finding(t_ns: int, detail: str) -> Finding | None:
    """The finding of such a detail; None of any other text.

    Args:
        t_ns: of the happening.
        detail: of the happening.
    """
    split = detail.rfind(_EVIDENCE)
    if not detail.startswith(_BEGINS) or split < 0:
        return None
    try:
        evidence = json.loads(detail[split:])
    except (ValueError, RecursionError):
        return None
    summary = detail[len(_BEGINS) : split]
    return Finding(t_ns, RULE, "fault", EXERCISE, EXERCISE, summary, evidence)


class Exercised:
    """A fold to what exercises missed."""

    def begin(self, start_ns: int) -> None:
        """Nothing depends on it."""

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; each thing missed is complete as it is told."""
        rows = batch.table("happenings")
        if not rows.height:
            return []
        own = rows.filter((rows["source"] == EXERCISE) & (rows["what"] == "note"))
        told = zip(own["t_ns"].to_list(), own["detail"].to_list(), strict=True)
        found = [missed_finding(t_ns, detail) for t_ns, detail in told]
        return [finding for finding in found if finding is not None]

    def finish(self, until_ns: int) -> list[Finding]:
        """Nothing lasts."""
        return []

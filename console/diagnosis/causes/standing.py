"""When a board stood: silences of its log, and those that end as a lost link is told."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.run_facts import RunFacts

_S = 1_000 * MS
_KEEP_ALIVE_NS = (1 * _S, 120 * _S)  # keep-alives in use, times 1.5 (MQTT 3.1.1 section 3.1.2.10)


def blocked_before(run: RunFacts) -> list[tuple[int, int]]:
    """Silences of the log, recorded, of keep-alive length that end as a lost link is told."""
    return [span for span in run.once(_silences) if logged(run, *span)]


def stood_before(run: RunFacts) -> bool | None:
    """Whether the board stood before a loss of its link; None where its log was not recorded."""
    if run.once(blocked_before):
        return True
    return None if run.once(_silences) else False


def logged(run: RunFacts, from_ns: int, until_ns: int) -> bool:
    """Whether every log that may tell of the link was recorded over a span."""
    logs = run.scene.of_kind("prints")
    told = [each for each in logs if each.name in run.placed_link.told_by]
    return all(each.recorded(from_ns, until_ns) for each in told or logs)


def _silences(run: RunFacts) -> list[tuple[int, int]]:
    """Silences of keep-alive length, recorded or not, that end as a lost link is told."""
    prints, told = run.placed_prints, run.placed_link.told_by
    prints = prints.filter(pl.col("source").is_in(told)) if told else prints
    times = prints["t_ns"].drop_nulls().to_numpy()
    if len(times) < 20:
        return []
    usual = float(np.percentile(np.diff(times), 99))
    found = []
    for lost in run.placed_link.lost_ns.tolist():
        at = int(times.searchsorted(lost - 3 * _S))
        near = times[max(at - 1, 0) : int(times.searchsorted(lost, "right"))]
        steps = np.diff(near)
        if not len(steps):
            continue
        k = int(np.argmax(steps))
        silence = int(steps[k])
        if silence >= max(_KEEP_ALIVE_NS[0], 3 * usual):
            found.append((int(near[k]), int(near[k + 1])))
    return found


def longest_silence(facts: Facts, from_ns: int, until_ns: int) -> int:
    """The longest time of a span in which nothing was printed."""
    times = facts.run.prints(from_ns, until_ns)["t_ns"].to_numpy()
    return int(np.diff(np.concatenate([[from_ns], times, [until_ns]])).max(initial=0))

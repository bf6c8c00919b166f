"""When a board stood: silences of its log, and those that end as a lost link is told."""

from __future__ import annotations

import numpy as np

from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.run_facts import RunFacts

_S = 1_000 * MS
_KEEP_ALIVE_NS = (1 * _S, 120 * _S)  # keep-alives in use, times 1.5 (MQTT 3.1.1 section 3.1.2.10)


def blocked_before(run: RunFacts) -> list[tuple[int, int]]:
    """Silences of the log of keep-alive length that end as a lost link is told."""
    times = run.scene.table("prints")["t_ns"].drop_nulls().to_numpy()
    if len(times) < 20:
        return []
    usual = float(np.percentile(np.diff(times), 99))
    found = []
    for lost in run.link.lost_ns.tolist():
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
    times = facts.scene.window("prints", from_ns, until_ns)["t_ns"].to_numpy()
    return int(np.diff(np.concatenate([[from_ns], times, [until_ns]])).max(initial=0))

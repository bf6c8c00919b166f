"""A tick counter that wraps."""

from __future__ import annotations

import polars as pl

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.faces import HEALTHY_BUS, SILENT, SILENT_COMPLAINED
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.uptime import near_wrap, uptime_at
from console.diagnosis.scene import Scene
from decoders.durations import in_words

_NO_STOP = (SILENT, SILENT_COMPLAINED, HEALTHY_BUS)


def tick_rollover(_scene: Scene, facts: Facts) -> Answer:
    """A comparison of ticks breaks when the counter runs over."""
    at_ns, prints = _end_of_work(facts)
    uptime = uptime_at(prints, at_ns) if at_ns is not None else None
    found = near_wrap(uptime, facts.traffic.period_ns) if uptime is not None else None
    return judged(
        needed(
            at_ns is not None,
            "something ended for good",
            "nothing ended",
            strength=0.0,
        ),
        needed(
            None if uptime is None else found is not None,
            f"the board's tick stood {in_words(abs(found.past_ns))} from the wrap of {found.name}"
            if found
            else "a tick wrapped then",
            "no tick wraps near the board's uptime then",
            "the board's uptime then: no stamps tell",
            strength=STRONG,
            at=Place("prints", at_ns),
        ),
        unless(facts.hold is not None, "a line is held low"),
        unless(
            not facts.stopped and bool(facts.run.complained_of[0]),
            "it is asked on, and the firmware complains",
        ),
        telling(
            facts.traffic.own_dead.height == 0 if facts.stopped else None,
            "it is not asked any more",
            "it is still asked",
            strength=FAIR,
        ),
    )


def _end_of_work(facts: Facts) -> tuple[int | None, pl.DataFrame]:
    """When the dead stretch begins; without one, when prints that came regularly end.

    With it the prints that lie on the same clock: a log's own, on the axis or not.
    """
    if facts.stopped:
        return facts.dead[0], facts.run.placed_prints
    prints, ended = facts.scene.table("prints"), facts.run.ended
    if ended is None:
        return None, prints
    return ended.t_ns, prints.filter(pl.col("source") == ended.source)


CAUSES = (
    Cause(
        "tick-rollover",
        "A tick counter wrapped, and a comparison with it broke",
        "firmware",
        _NO_STOP,
        1.0,
        ("prints",),
        tick_rollover,
        ("preload-tick", "poll-rate"),
        "",
        "arithmetic: 2^16 ms is 65.5 s, 2^32 us 71.6 min, 2^32 ms 49.7 d",
    ),
)

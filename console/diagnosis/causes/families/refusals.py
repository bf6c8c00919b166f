"""Causes in a target that leaves its address unanswered: busy, deaf, or never left alone."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    WEAK,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.faces import (
    HEALTHY_BUS,
    UNANSWERED,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.nacks import NackRun, nack_runs
from console.diagnosis.causes.traffic import WHOLE, polls_of
from console.diagnosis.scene import Scene
from decoders.durations import in_words

_HAMMER_NS = MS
_FEWEST_RUNS = 3
_FEWEST_POLLS = 4  # from which the usual time between two is known


def _runs_place(runs: list[NackRun]) -> Place:
    return Place("transactions", runs[0].from_ns) if runs else Place()


def busy_target(_scene: Scene, facts: Facts) -> Answer:
    """An internal write or a conversion runs; the NACK says "not yet"."""
    runs = [run for run in facts.once(nack_runs) if run.ended]
    after = [run for run in runs if run.after]
    same = {run.after for run in after}
    lengths = [run.length_ns for run in after]
    bounded = bool(lengths) and max(lengths) <= 2 * max(min(lengths), MS)
    longest = max((run.count for run in runs), default=0)
    lasting = [run for run in facts.once(nack_runs) if not run.ended and run.count > longest + 1]
    return judged(
        needed(
            len(after) >= _FEWEST_RUNS,
            f"the address went unanswered {len(after)} times for a while, and answered again",
            "the address does not go unanswered for a while and answer again",
            strength=FAIR,
            at=_runs_place(after),
        ),
        needed(
            len(same) == 1 and len(after) == len(runs),
            "each time after the same command",
            "not after one command alone",
            strength=STRONG,
        ),
        needed(
            bounded,
            f"for no longer than {in_words(max(lengths, default=0))}",
            "for lengths that differ widely",
        ),
        needed(
            _misses_polls(facts, after),
            "longer than it is from poll to poll: values are missing meanwhile",
            "for less than it is from poll to poll: nothing is missing",
            "whether that is longer than it is from poll to poll: too few were answered",
            strength=WEAK,
        ),
        unless(bool(lasting), "the last time it never answered again"),
        unless(_grows(runs), "it takes longer and longer"),
    )


def _misses_polls(facts: Facts, runs: list[NackRun]) -> bool | None:
    """Whether most refusals outlast the usual time between answers with content.

    A memory is asked until it acknowledges after each write to it: that is how its end is told, and
    it costs nothing.
    """
    own = facts.traffic.own_run.filter(pl.col("answered") & (pl.col("length") > 0))
    starts = polls_of(own)["start_ns"].to_numpy()
    if len(starts) < _FEWEST_POLLS or not runs:
        return None
    usual_ns = float(np.median(np.diff(starts)))
    return bool(np.median([run.length_ns for run in runs]) > usual_ns)


def _grows(runs: list[NackRun]) -> bool:
    counts = np.array([run.count for run in runs])
    if len(counts) < 6:
        return False
    third = len(counts) // 3
    return bool(np.mean(counts[-third:]) > 1.7 * np.mean(counts[:third]))


def deaf_target(_scene: Scene, facts: Facts) -> Answer:
    """It leaves its address unacknowledged for good, and nothing on the wire tells why."""
    dead = facts.traffic.own_dead
    refused = dead.filter(~pl.col("address_acked").fill_null(value=True))
    odd = facts.traffic.last.filter(~WHOLE & (pl.col("start_ns") < facts.dead[0]))
    return judged(
        needed(
            facts.stopped and refused.height >= 5 and refused.height >= 0.9 * dead.height,
            f"its address goes unanswered {refused.height} times, clocks and lines intact",
            "its address is not left unanswered",
            at=Place("transactions", facts.dead[0]),
        ),
        needed(
            not odd.height and facts.hold is None,
            "every transaction before is whole, and no line was held",
            "the transactions before are not whole, or a line was held",
            strength=WEAK,
        ),
        unless(facts.scene.episode.recovered, "it answers again by itself"),
    )


def nack_hammer(_scene: Scene, facts: Facts) -> Answer:
    """Retries without a pause keep the target from finishing, and it gets worse."""
    runs = facts.once(nack_runs)
    tight = [run for run in runs if run.count > 1 and run.spacing_ns < _HAMMER_NS]
    at_end = [run for run in tight if not run.ended]
    return judged(
        needed(
            len(tight) >= _FEWEST_RUNS,
            f"after a NACK it is asked again within a millisecond, {len(tight)} times",
            "it is not asked again at once after a NACK",
            strength=FAIR,
            at=_runs_place(tight),
        ),
        needed(
            _grows(tight),
            "the retries a reading needs grow",
            "the retries a reading needs do not grow",
            strength=STRONG,
        ),
        telling(
            bool(at_end), "and at last it never answered again", "and it always answered again"
        ),
    )


CAUSES = (
    Cause(
        "busy-target",
        "The target is busy and refuses its address until it is done",
        "target",
        (UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        busy_target,
        ("wait-before-read",),
        "",
        "UM10204 section 3.1.6, reason 2",
    ),
    Cause(
        "deaf-target",
        "The target leaves its address unanswered, and nothing before tells why",
        "target",
        (UNANSWERED,),
        2.0,
        ("capture",),
        deaf_target,
        ("power-target", "unplug-one"),
        "the target's supply and reset",
        "UM10204 section 3.1.6, reasons 1 and 2",
    ),
    Cause(
        "nack-hammer",
        "Retries without a pause keep the target from finishing",
        "controller",
        (UNANSWERED, HEALTHY_BUS),
        1.0,
        ("capture",),
        nack_hammer,
        ("back-off", "poll-rate"),
        "",
        "UM10204 section 3.1.6, reason 2; seen in public issue reports",
    ),
)

"""Causes in a controller that waits for what never comes: a STOP, a state, an edge."""

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
    SILENT,
    SILENT_COMPLAINED,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.scene import Scene


def phantom_busy(_scene: Scene, facts: Facts) -> Answer:
    """The controller took noise for another controller's START and waits for its STOP."""
    at_ns = _phantom_after(facts)
    return judged(
        needed(
            _quiet(facts),
            "both lines are high and nothing moves in the dead stretch",
            "the bus goes on, or a line is held",
        ),
        needed(
            None if at_ns is None else at_ns >= 0,
            "just before, SDA fell with SCL high and no clock followed",
            "no START without clocks came before",
            "whether a START without clocks came before: the wire was not kept or too coarse",
            strength=STRONG,
            at=Place("", at_ns) if at_ns is not None and at_ns >= 0 else Place(),
        ),
        telling(
            _complains(facts),
            "the firmware goes on to ask, and complains",
            "the firmware does not complain",
            "whether the firmware complains: there is no log",
        ),
    )


def _quiet(facts: Facts) -> bool:
    """Whether nothing moved on the bus in its dead stretch, and no line was held."""
    return facts.stopped and facts.hold is None and facts.traffic.silent


def _complains(facts: Facts) -> bool | None:
    return facts.complaints.height > 0 if facts.run.has_prints else None


def _phantom_after(facts: Facts) -> int | None:
    """When a START without clocks came after the last good transaction.

    -1: there was none; None where nobody can tell.
    """
    clocks = facts.clocks
    if clocks is None:
        return None
    begin = facts.traffic.last_good_end_ns
    voids = clocks.void_ns[(clocks.void_ns > begin)]
    if len(voids):
        return int(voids[-1])
    last_bus = int(facts.traffic.bus["end_ns"].max() or begin)  # type: ignore[arg-type]
    edges = np.concatenate([clocks.edges_ns[1], clocks.edges_ns[0]])
    later = edges[edges > max(last_bus, begin)]
    if len(later):
        return int(later.min())
    return -1 if facts.shows(clocks.high_usual_ns) else None


def nack_trap(_scene: Scene, facts: Facts) -> Answer:
    """One NACK, and the driver never leaves the state it put it in."""
    last = _last_of_bus(facts)
    problems = last.get("problems") or []
    nack = isinstance(problems, list) and bool({"address-nack", "data-nack"} & set(problems))
    usual = facts.traffic.healthy
    share = _share_nacked(usual)
    late = facts.hold is not None and facts.hold.of_clock and facts.freed_in_vain
    return judged(
        needed(
            facts.stopped and facts.traffic.bus.height > 0 and _ends_silent(facts),
            "after it nothing was sent any more",
            "the bus goes on",
        ),
        needed(
            nack,
            "the last transaction on the bus ends in a NACK",
            "the last transaction on the bus ends without a NACK",
            strength=STRONG if share < 0.01 else WEAK,
            at=Place("transactions", _int(last.get("start_ns"))),
        ),
        telling(
            last.get("ended_by") != "stop" or late,
            "its STOP came only after the clock had been low for long"
            if late
            else "no STOP followed it",
            "a STOP followed it at once",
            strength=FAIR,
        ),
        telling(
            _complains(facts),
            "the firmware complains",
            "the firmware does not complain",
            "whether the firmware complains: there is no log",
        ),
        unless(facts.hold is not None and not late, "a line is held low"),
    )


def _last_of_bus(facts: Facts) -> dict[str, object]:
    """The last transaction before the bus fell silent."""
    rows = facts.traffic.bus
    return rows.row(-1, named=True) if rows.height else {}


def _ends_silent(facts: Facts) -> bool:
    """Whether the bus was silent for most of the dead stretch."""
    last = facts.traffic.bus_start_ns
    begin, end = facts.dead
    quiet = end - (int(last[-1]) if len(last) else begin)
    return quiet > max(5 * facts.traffic.period_ns, (end - begin) // 2)


def _share_nacked(rows: pl.DataFrame) -> float:
    return float((~rows["answered"]).mean() or 0.0) if rows.height else 0.0  # type: ignore[arg-type]


def _int(value: object) -> int | None:
    return value if isinstance(value, int) else None


def missed_data_ready(_scene: Scene, facts: Facts) -> Answer:
    """The interrupt line stays asserted, and an edge-triggered handler waits for ever."""
    last = facts.traffic.own_healthy.tail(1)
    whole = bool(last.height) and not last["problems"][0].len() and last["ended_by"][0] == "stop"
    goes_on = _prints_go_on(facts)
    return judged(
        needed(
            facts.stopped and facts.traffic.own_dead.height == 0,
            "the device is not asked any more",
            "the device is still asked",
            strength=WEAK,
        ),
        needed(
            whole,
            "its last transaction is a complete, usual one",
            "its last transaction is not complete",
            strength=WEAK,
            at=Place("transactions", facts.traffic.last_good_ns),
        ),
        needed(
            goes_on,
            "the firmware goes on, and does not complain of it",
            "the firmware says no more, or complains",
            "whether the firmware goes on: there is no log",
            strength=FAIR,
        ),
        telling(_data_ready_held(facts), *_DATA_READY_WORDS, strength=STRONG),
        unless(facts.hold is not None, "a line is held low"),
        unless(facts.restarted_at_end, "the firmware restarted"),
        unless(facts.void_start_at_end, "a START without clocks came then"),
        unless(
            None if facts.disturbed is None else len(facts.disturbed.both_ns) > 3,
            "short pulses disturb the lines",
        ),
    )


_DATA_READY_WORDS = (
    "another captured line changed last as the device was last read, and stands since",
    "the other captured lines go on changing",
    "the device's data-ready line: it was not captured",
)


def _data_ready_held(facts: Facts) -> bool | None:
    """Whether a line that used to pulse with the polls stands still since the last one."""
    pulses = facts.scene.table("pulses")
    if not pulses.height:
        return None
    begin, end = facts.dead
    period = max(facts.traffic.period_ns, MS)
    for rows in pulses.partition_by("line"):
        before = rows.filter(pl.col("start_ns") < begin)
        after = rows.filter(pl.col("start_ns") > begin + period)
        paced = before.height > 0.3 * (begin - facts.life[0]) / period
        if paced and after.height <= 1 and end - begin > 5 * period:
            return True
    return False


def _prints_go_on(facts: Facts) -> bool | None:
    """Whether the log goes on in the dead stretch without a word about the device."""
    if not facts.run.has_prints:
        return None
    begin, end = facts.dead
    some = facts.run.prints(begin + 100 * MS, end + 1)
    return some.height > 0 and facts.complaints.height == 0


CAUSES = (
    Cause(
        "phantom-busy",
        "The controller saw a START that was none and waits for its STOP",
        "controller",
        (SILENT_COMPLAINED, SILENT),
        2.0,
        ("capture",),
        phantom_busy,
        ("restart-controller", "provoke"),
        "",
        "UM10204 section 3.1.4 (a bus is busy from START to STOP); seen in public issue reports",
    ),
    Cause(
        "nack-trap",
        "One NACK, and the driver never leaves the state it put it in",
        "controller",
        (SILENT_COMPLAINED, SILENT),
        2.0,
        ("capture",),
        nack_trap,
        ("restart-controller", "provoke"),
        "",
        "UM10204 section 3.1.6 (what follows a NACK); seen in public issue reports",
    ),
    Cause(
        "missed-data-ready",
        "A data-ready edge was missed, and the handler waits for the next",
        "controller",
        (SILENT,),
        1.0,
        ("capture", "prints"),
        missed_data_ready,
        ("read-by-hand", "polling"),
        "the interrupt line",
        "seen in public issue reports",
    ),
)

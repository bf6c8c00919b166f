"""Causes in a driver that takes for a fault what is none: it gives up, or clocks by hand."""

from __future__ import annotations

import polars as pl

from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.bursts import SMBUS_NS
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
    CLOCK_HELD,
    DATA_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.scene import Scene


def spurious_abort(_scene: Scene, facts: Facts) -> Answer:
    """A transfer is given up though nothing on the wire is wrong."""
    end = facts.dead[1]
    rows = facts.traffic.bus.filter(pl.col("start_ns") < end)
    left = rows.filter(
        pl.col("ended_by").is_in(["start", "cut", "stuck"])
        & ~pl.col("problems").list.contains("ends-cut")
        & ~pl.col("problems").list.contains("address-nack")
        & ~pl.col("problems").list.contains("data-nack")
        & ~pl.col("problems").list.contains("scl-held")
        & ~pl.col("problems").list.contains("sda-held")
        & pl.col("address").is_not_null()
    )
    at = int(left["start_ns"][0]) if left.height else None
    runts = _runts_in(facts, left)
    return judged(
        needed(
            left.height > 0,
            f"{left.height} transfers were left without STOP, though all was acknowledged",
            "no transfer was left without STOP for no visible reason",
            strength=FAIR,
            at=Place("transactions", at),
        ),
        unless(facts.hold is not None, "a line is held low"),
        unless(runts, "a short pulse lies in it"),
        unless(_stretched_in(facts, left), "the clock was stretched there"),
        needed(
            left.height > 0
            and bool((left["ended_by"] == "start").all() or not facts.restarted_at_end),
            "the next transfer begins with a START, without a STOP before",
            "the firmware restarted then",
        ),
        unless(facts.void_start_at_end, "a START without clocks came then"),
    )


def _runts_in(facts: Facts, rows: pl.DataFrame) -> bool | None:
    if facts.disturbed is None:
        return None
    pulses = facts.disturbed.scl_ns
    begin, end = rows["start_ns"].to_numpy(), rows["end_ns"].to_numpy()
    return bool((pulses.searchsorted(end, "right") > pulses.searchsorted(begin)).any())


def _stretched_in(facts: Facts, rows: pl.DataFrame) -> bool | None:
    clocks = facts.clocks
    if clocks is None:
        return None
    t_ns = clocks.rise_ns[clocks.low_ns > max(100 * clocks.bit_ns, MS)]
    begin, end = rows["start_ns"].to_numpy(), rows["end_ns"].to_numpy() + 50 * MS
    return bool((t_ns.searchsorted(end, "right") > t_ns.searchsorted(begin)).any())


def recovery_in_transaction(_scene: Scene, facts: Facts) -> Answer:
    """The driver takes a stretch for a fault and clocks the bus by hand while the target holds."""
    pulses = facts.clocked_by_hand
    return judged(
        needed(
            None if pulses is None else len(pulses) > 0,
            "inside an open transfer, after a stretch of less than 25 ms, clocks of another period "
            "follow without a START",
            "no transfer is followed by clocks of another period",
            "clocks by hand: the wire was not kept",
            strength=STRONG,
            at=Place("", pulses[0]) if pulses else Place(),
        ),
        needed(
            bool(pulses) and facts.stopped,
            "and then the device was lost",
            "the device was not lost by it",
            strength=WEAK,
        ),
        telling(
            facts.run.prints(*_wide(facts), words.RECOVERY).height > 0 or None,
            "the firmware says that it recovers the bus",
            "",
            "what the firmware does then: it does not say",
            strength=FAIR,
        ),
        unless(
            facts.hold is not None and facts.hold.length_ns > SMBUS_NS and not _before_hold(facts),
            "a line had been held beyond 25 ms before",
        ),
    )


def _wide(facts: Facts) -> tuple[int, int]:
    return facts.traffic.last_good_ns - 1000 * MS, facts.dead[1]


def _before_hold(facts: Facts) -> bool:
    """Whether clocks by hand came before the line was held."""
    pulses = facts.clocked_by_hand or []
    return facts.hold is not None and bool(pulses) and pulses[0] < facts.hold.start_ns


CAUSES = (
    Cause(
        "spurious-abort",
        "The driver gives up a transfer that nothing was wrong with",
        "controller",
        (SILENT_COMPLAINED, SILENT, UNANSWERED, HEALTHY_BUS, WRONG_CONTENT),
        1.0,
        ("capture",),
        spurious_abort,
        ("restart-controller",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "recovery-in-transaction",
        "The driver takes a stretch for a fault and clocks the bus by hand",
        "controller",
        (UNANSWERED, CLOCK_HELD, DATA_HELD, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED, SILENT),
        1.5,
        ("capture",),
        recovery_in_transaction,
        ("no-recovery", "longer-limit"),
        "",
        "UM10204 section 3.1.9; SMBus 3.2, tTIMEOUT",
    ),
)

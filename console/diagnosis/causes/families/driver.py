"""Causes in the controller and its driver: what it waits for, gives up on, or never notices."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes import prints_near as words
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
from console.diagnosis.causes.creep import creep_of
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
from console.diagnosis.scene import Int64s, Scene
from decoders.durations import in_words

_SMBUS_NS = 25 * MS  # SMBus 3.2, tTIMEOUT: what is shorter may be a stretch
_LATE_STOP = 20  # usual clocks after a NACK by which a STOP is there
_SILENT_FACES = (SILENT_COMPLAINED, SILENT)


def _quiet(facts: Facts) -> bool:
    """Whether nothing moved on the bus in its dead stretch, and no line was held."""
    return facts.stopped and facts.hold is None and facts.traffic.silent


def _complains(facts: Facts) -> bool | None:
    return facts.complaints.height > 0 if facts.has_prints else None


def phantom_busy(_scene: Scene, facts: Facts) -> Answer:
    """The controller took noise for another controller's START and waits for its STOP."""
    phantom = _phantom_before(facts)
    return judged(
        needed(
            _quiet(facts),
            "both lines are high and nothing moves in the dead stretch",
            "the bus goes on, or a line is held",
        ),
        needed(
            phantom,
            "just before, SDA fell with SCL high and no clock followed",
            "no START without clocks came before",
            "whether a START without clocks came before: the wire was not kept or too coarse",
            strength=STRONG,
            at=Place("", facts.traffic.last_good_end_ns),
        ),
        telling(
            _complains(facts),
            "the firmware goes on to ask, and complains",
            "the firmware does not complain",
            "whether the firmware complains: there is no log",
        ),
    )


def _phantom_before(facts: Facts) -> bool | None:
    clocks = facts.clocks
    if clocks is None:
        return None
    begin = facts.traffic.last_good_end_ns
    voids = clocks.void_ns[(clocks.void_ns > begin)]
    if len(voids):
        return True
    last_bus = int(facts.traffic.bus["end_ns"].max() or begin)  # type: ignore[arg-type]
    later = clocks.edges_ns[1] > max(last_bus, begin)
    grounded = clocks.edges_ns[0] > max(last_bus, begin)
    if later.any() or grounded.any():
        return True
    return False if facts.shows(clocks.high_usual_ns) else None


def _last_of_bus(facts: Facts) -> dict[str, object]:
    """The last transaction before the bus fell silent."""
    rows = facts.traffic.bus
    return rows.row(-1, named=True) if rows.height else {}


def nack_trap(_scene: Scene, facts: Facts) -> Answer:
    """One NACK, and the driver never leaves the state it put it in."""
    last = _last_of_bus(facts)
    problems = last.get("problems") or []
    nack = isinstance(problems, list) and bool({"address-nack", "data-nack"} & set(problems))
    usual = facts.traffic.healthy
    share = _share_nacked(usual)
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
            last.get("ended_by") != "stop",
            "no STOP followed it",
            "a STOP followed it",
            strength=FAIR,
        ),
        telling(
            _complains(facts),
            "the firmware complains",
            "the firmware does not complain",
            "whether the firmware complains: there is no log",
        ),
        unless(facts.hold is not None, "a line is held low"),
    )


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
            left.height > 0 and bool((left["ended_by"] == "start").all() or not _restarted(facts)),
            "the next transfer begins with a START, without a STOP before",
            "the firmware restarted then",
        ),
        unless(_phantom_voids(facts), "a START without clocks came then"),
    )


def _phantom_voids(facts: Facts) -> bool | None:
    if facts.clocks is None:
        return None
    voids = facts.clocks.void_ns
    return bool((voids > facts.traffic.last_good_end_ns).any())


def _restarted(facts: Facts) -> bool:
    begin, end = facts.dead
    near = facts.restarts["t_ns"].is_between(facts.traffic.last_good_ns, begin + 1000 * MS)
    return bool(near.any()) and end > begin


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
    pulses = _wiggled(facts)
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
            facts.prints(*_wide(facts), words.RECOVERY).height > 0 or None,
            "the firmware says that it recovers the bus",
            "",
            "what the firmware does then: it does not say",
            strength=FAIR,
        ),
        unless(
            facts.hold is not None and facts.hold.length_ns > _SMBUS_NS and not _before_hold(facts),
            "a line had been held beyond 25 ms before",
        ),
    )


def _wide(facts: Facts) -> tuple[int, int]:
    return facts.traffic.last_good_ns - 1000 * MS, facts.dead[1]


def _before_hold(facts: Facts) -> bool:
    """Whether clocks by hand came before the line was held."""
    pulses = _wiggled(facts) or []
    return facts.hold is not None and bool(pulses) and pulses[0] < facts.hold.start_ns


def _wiggled(facts: Facts) -> list[int] | None:
    """Where a stretch inside a transfer was followed by at least three clocks of another period."""
    clocks = facts.clocks
    if clocks is None:
        return None
    if not clocks.bit_ns:
        return []
    pause = 5 * clocks.bit_ns
    stretched = np.flatnonzero((clocks.low_ns > pause) & (clocks.low_ns < _SMBUS_NS))
    step = np.diff(clocks.rise_ns, append=clocks.until_ns)
    ratio = step / clocks.bit_ns
    other = (ratio > 2) | (ratio < 0.5)
    found = []
    for k in stretched.tolist():
        after = slice(k, k + 4)
        same = clocks.start_ns.searchsorted(clocks.rise_ns[after])
        if len(same) == 4 and same[0] == same[-1] and other[k : k + 3].all():
            steady = np.ptp(step[k + 1 : k + 3]) < 0.5 * np.median(step[k + 1 : k + 3])
            if steady:
                found.append(int(clocks.rise_ns[k]))
    return found


def stretch_creep(_scene: Scene, facts: Facts) -> Answer:
    """The target takes longer and longer, until the controller gives up."""
    creep = creep_of(facts)
    return judged(
        needed(
            None if creep is None else creep.stretches,
            "the target stretches the clock",
            "the target does not stretch the clock",
            "how long it stretches: the wire was not kept",
            strength=WEAK,
        ),
        needed(
            None if creep is None else creep.grew,
            f"its stretches grew from {in_words(creep.early_ns)} to {in_words(creep.late_ns)}"
            if creep
            else "its stretches grew",
            "its stretches did not grow",
            strength=STRONG,
        ),
        needed(
            None if creep is None else creep.last_longest,
            f"the last, {in_words(creep.last_ns)}, is the longest: there it was given up"
            if creep
            else "the last is the longest",
            "the transfer that failed was not stretched the longest",
            strength=FAIR,
            at=Place("transactions", facts.dead[0]),
        ),
    )


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
        unless(_restarted(facts), "the firmware restarted"),
        unless(_phantom_voids(facts), "a START without clocks came then"),
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
    if not facts.has_prints:
        return None
    begin, end = facts.dead
    some = facts.prints(begin + 100 * MS, end + 1)
    return some.height > 0 and facts.complaints.height == 0


def starved_transfer(_scene: Scene, facts: Facts) -> Answer:
    """Interrupts or the scheduler stop the controller in the middle of bytes."""
    pauses = None if facts.disturbed is None else facts.disturbed.pauses_ns
    if pauses is None and facts.clocks is not None:
        from console.diagnosis.causes.disturbances import Disturbances

        pauses = Disturbances(facts.clocks, facts.scene.sample_ns).pauses_ns
    few = 2
    return judged(
        needed(
            None if pauses is None else len(pauses) > few,
            f"the clock paused {0 if pauses is None else len(pauses)} times inside bytes, where no "
            "target stretches",
            "the clock does not pause inside bytes",
            "pauses inside bytes: the wire was not kept",
            strength=STRONG,
            at=Place("", int(pauses[0])) if pauses is not None and len(pauses) else Place(),
        ),
        telling(
            _pauses_before_end(facts, pauses) if pauses is not None and len(pauses) else None,
            "a pause lies in the transfer before the end",
            "no pause lies in the transfer before the end",
        ),
        unless(bool(_wiggled(facts)), "clocks were made by hand"),
    )


def _pauses_before_end(facts: Facts, pauses: Int64s) -> bool:
    return bool((pauses > facts.traffic.last_good_ns - MS).any())


CAUSES = (
    Cause(
        "phantom-busy",
        "The controller saw a START that was none and waits for its STOP",
        "controller",
        (SILENT_COMPLAINED,),
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
        "spurious-abort",
        "The driver gives up a transfer that nothing was wrong with",
        "controller",
        (SILENT_COMPLAINED, UNANSWERED, HEALTHY_BUS, WRONG_CONTENT),
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
        (UNANSWERED, CLOCK_HELD, DATA_HELD, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED),
        1.5,
        ("capture",),
        recovery_in_transaction,
        ("no-recovery", "longer-limit"),
        "",
        "UM10204 section 3.1.9; SMBus 3.2, tTIMEOUT",
    ),
    Cause(
        "stretch-creep",
        "The target stretches longer and longer, beyond the controller's limit",
        "target",
        (UNANSWERED, CLOCK_HELD, SILENT_COMPLAINED, HEALTHY_BUS, WRONG_CONTENT),
        1.5,
        ("capture",),
        stretch_creep,
        ("longer-limit",),
        "",
        "UM10204 section 3.1.9; SMBus 3.2, tLOW:SEXT",
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
    Cause(
        "starved-transfer",
        "Interrupts or other tasks stop the controller in the middle of a byte",
        "controller",
        (HEALTHY_BUS, UNANSWERED, WRONG_CONTENT, SILENT_COMPLAINED, CLOCK_HELD),
        1.5,
        ("capture",),
        starved_transfer,
        ("network-off",),
        "",
        "SMBus 3.2, tLOW:MEXT; seen in public issue reports",
    ),
)

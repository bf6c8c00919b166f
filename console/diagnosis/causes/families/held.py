"""Causes that leave a line held low: transfers cut at the wrong clock, and clocks that are held."""

from __future__ import annotations

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    WEAK,
    Answer,
    Cause,
    Place,
    Sign,
    hint,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.faces import CLOCK_HELD, DATA_HELD
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.hold import Hold
from console.diagnosis.scene import Scene
from decoders.durations import in_words

_FIFO = (8, 16, 32, 64)  # bytes; depths of controllers' FIFOs
_RESET_NEAR_NS = 100 * MS
_LONG_LOW_NS = 10 * MS  # a low beyond this is no stretch a sensor's data sheet asks for


def _at(hold: Hold | None) -> Place:
    return Place() if hold is None else Place("line_states", hold.start_ns)


def _reset_near(facts: Facts, hold: Hold | None) -> bool | None:
    """Whether the firmware restarted about when the line was first held."""
    if not facts.run.has_prints:
        return None
    if hold is None:
        return False
    begin, end = hold.start_ns - 10 * MS, hold.start_ns + _RESET_NEAR_NS + facts.traffic.period_ns
    return facts.run.restarts.filter(facts.run.restarts["t_ns"].is_between(begin, end)).height > 0


def _failed_burst(facts: Facts) -> bool | None:
    """Whether nine clocks or more left SDA low."""
    if facts.clocks is None:
        return None
    return any(each.clocks >= 9 and each.freed_after == 0 for each in facts.bursts)


def _freed_after(facts: Facts, low: int, high: int) -> bool | None:
    """Whether a burst freed SDA after so many clocks; None where no burst was seen."""
    freed = [each.freed_after for each in facts.bursts if each.freed_after]
    return low <= freed[0] <= high if freed else None


def orphaned_read(_scene: Scene, facts: Facts) -> Answer:
    """SDA held in a read byte, with the clocks it still needs not given."""
    hold = facts.hold
    slot = hold.slot if hold else -1
    left = max(9 - slot, 1)
    return judged(
        needed(
            hold is not None and not hold.of_clock,
            "SDA is held low with SCL high",
            "SDA is not held low",
            at=_at(hold),
        ),
        needed(
            hold is not None and hold.in_target_byte,
            f"a read was left after {slot} of 9 clocks of a byte that the target sends",
            "no read was left inside a byte that the target sends",
            strength=STRONG,
        ),
        unless(facts.coupled, "edges of one line make clocks of the other: they tear transfers"),
        unless(
            _failed_burst(facts), "nine clocks and more did not free SDA: one byte has fewer left"
        ),
        hint(  # a driver that gives up leaves a read as well
            _reset_near(facts, hold),
            "the firmware restarted as the line was first held",
            "whether the firmware restarted then: there is no log",
            strength=FAIR,
        ),
        telling(
            _freed_after(facts, 1, left),
            f"SDA came free within the {left} clocks that were left of the byte",
            f"SDA did not come free within the {left} clocks that were left of the byte",
            "how many clocks free it: nobody gave any",
            strength=FAIR,
        ),
    )


def zero_stream_orphan(_scene: Scene, facts: Facts) -> Answer:
    """Nine clocks given, SDA low after them: each ninth was taken for an ACK."""
    hold = facts.hold
    failed = [each for each in facts.bursts if each.clocks >= 9 and each.freed_after == 0]
    return judged(
        needed(
            hold is not None and hold.state == "sda-held",
            "SDA is held low with SCL high",
            "SDA is not held low",
            at=_at(hold),
        ),
        needed(
            hold is not None and hold.in_target_byte,
            "a read was left inside a byte that the target sends",
            "no read was left inside a byte that the target sends",
        ),
        needed(
            _failed_burst(facts),
            f"nine clocks and more were given {len(failed)} times, and SDA stayed low",
            "no nine clocks were given that left SDA low",
            "whether clocks were given: the wire was not kept",
            strength=STRONG,
        ),
        telling(
            any(each.ninth_low for each in failed) if failed else None,
            "SDA was low in the ninth clock too: the target took it for an ACK and sent on",
            "SDA was high in the ninth clock",
            strength=FAIR,
        ),
        telling(len(failed) > 1, "the same at every retry"),
    )


def orphaned_acknowledge(_scene: Scene, facts: Facts) -> Answer:
    """A write, or an address, cut in the acknowledge clock."""
    hold = facts.hold
    return judged(
        needed(
            hold is not None and hold.state == "sda-held",
            "SDA is held low with SCL high",
            "SDA is not held low",
            at=_at(hold),
        ),
        needed(
            hold is not None and hold.slot == 8 and hold.turn == "target",
            "the transfer was left in an acknowledge clock, in which the target drives SDA",
            "the transfer was not left in an acknowledge clock of the target",
            strength=STRONG,
        ),
        telling(
            _freed_after(facts, 1, 1),
            "one clock freed it",
            "it took more than one clock",
            "how many clocks free it: nobody gave any",
            strength=FAIR,
        ),
        telling(
            _reset_near(facts, hold),
            "the firmware restarted as the line was first held",
            "",
            "whether the firmware restarted then: no log covers it",
        ),
    )


def _controllers_turn(hold: Hold | None) -> str:
    """Why the clock stands where a controller waits for its software; "" where it does not."""
    if hold is None or hold.slot not in (0, 8):
        return ""
    if hold.slot == 0 and not hold.last_acked:
        return "it began right after a NACK, when the controller owes a STOP"
    if hold.read and hold.slot == 0 and hold.bytes_done == 1 and hold.data == b"\0":
        return "it began after a length byte of 0 in a block read"
    if hold.slot == 0 and hold.bytes_done in _FIFO:
        return f"it began after {hold.bytes_done} bytes, a depth of controllers' FIFOs"
    return ""


def _stands_at_acknowledge(hold: Hold | None) -> bool:
    return hold is not None and hold.slot in (0, 8)


def _reset_freed(facts: Facts, hold: Hold | None) -> bool | None:
    """Whether the clock came free as the firmware restarted."""
    if not facts.run.has_prints or hold is None or hold.end_ns >= facts.scene.end_ns - MS:
        return None
    near = facts.run.restarts["t_ns"].is_between(hold.end_ns - 100 * MS, hold.end_ns + 500 * MS)
    return bool(near.any())


_AS_RESTARTED = "the clock came free as the controller restarted"
_WITHOUT_RESTART = "the clock came free without a restart of the controller"
_WHETHER_RESET = (
    "whether a reset of the controller frees it: the line never came free, or no log tells"
)


def _clock_low(hold: Hold | None) -> Sign:
    """SCL held for long, whoever holds it."""
    return needed(
        hold is not None and hold.of_clock and hold.length_ns >= _LONG_LOW_NS,
        "SCL is held low" + (f" for {in_words(hold.length_ns)}" if hold else ""),
        "SCL is not held low",
        at=_at(hold),
    )


def _otherwise_low(facts: Facts) -> tuple[Sign, Sign]:
    """What keeps a clock low without anybody who holds it."""
    return (
        unless(facts.freed_in_vain, "it came free, and nothing was sent all the same"),
        unless(facts.starved, "the clock pauses inside bytes too, where nobody waits for a byte"),
    )


def clock_held_by_target(_scene: Scene, facts: Facts) -> Answer:
    """SCL held where a target stretches, and nothing there for a controller to wait for."""
    hold = facts.hold
    why = _controllers_turn(hold)
    return judged(
        _clock_low(hold),
        needed(
            _stands_at_acknowledge(hold),
            "the hold began beside an acknowledge clock, where targets stretch",
            "the hold did not begin beside an acknowledge clock",
            strength=WEAK,
        ),
        *_otherwise_low(facts),
        telling(not why, "a controller has nothing to wait for there", why),
        telling(
            None if (freed := _reset_freed(facts, hold)) is None else not freed,
            _WITHOUT_RESTART,
            _AS_RESTARTED,
            _WHETHER_RESET,
            strength=FAIR,
        ),
    )


def clock_held_by_controller(_scene: Scene, facts: Facts) -> Answer:
    """SCL held where a controller waits for its software."""
    hold = facts.hold
    why = _controllers_turn(hold)
    return judged(
        _clock_low(hold),
        needed(
            hold is not None and hold.slot >= 0,
            "the hold began inside a transfer",
            "the hold began outside any transfer",
            strength=WEAK,
        ),
        *_otherwise_low(facts),
        telling(bool(why), why, "a controller has nothing to wait for there", strength=FAIR),
        telling(
            _reset_freed(facts, hold),
            _AS_RESTARTED,
            _WITHOUT_RESTART,
            _WHETHER_RESET,
            strength=FAIR,
        ),
    )


CAUSES = (
    Cause(
        "orphaned-read",
        "A read was left inside a byte, and the target waits for the rest of its clocks",
        "wire",
        (DATA_HELD,),
        6.0,
        ("capture",),
        orphaned_read,
        ("clock-it-free", "provoke"),
        "the controller's reset line",
        "UM10204 section 3.1.16; application note 'Implementing an I2C Reset'",
    ),
    Cause(
        "zero-stream-orphan",
        "A read of zeros was left, and the clocks that should free it are taken for ACKs",
        "wire",
        (DATA_HELD,),
        2.0,
        ("capture",),
        zero_stream_orphan,
        ("clock-it-free",),
        "the controller's reset line",
        "UM10204 sections 3.1.6 and 3.1.16; seen in public issue reports",
    ),
    Cause(
        "orphaned-acknowledge",
        "A transfer was left in the acknowledge clock, and the target holds its ACK",
        "wire",
        (DATA_HELD,),
        3.0,
        ("capture",),
        orphaned_acknowledge,
        ("clock-it-free", "provoke"),
        "the controller's reset line",
        "kernel document 'I2C fault injection': incomplete address phase, incomplete write byte",
    ),
    Cause(
        "clock-held-by-target",
        "The target holds the clock",
        "wire",
        (CLOCK_HELD,),
        3.0,
        ("capture",),
        clock_held_by_target,
        ("restart-controller", "power-target"),
        "the controller's reset line",
        "UM10204 section 3.1.9; application note on stuck buses",
    ),
    Cause(
        "clock-held-by-controller",
        "The controller holds the clock and waits for its software",
        "controller",
        (CLOCK_HELD,),
        3.0,
        ("capture",),
        clock_held_by_controller,
        ("restart-controller", "power-target"),
        "the controller's reset line",
        "SMBus 3.2, tLOW:MEXT; seen in public issue reports",
    ),
)

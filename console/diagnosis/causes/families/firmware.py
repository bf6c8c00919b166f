"""Causes in firmware: ticks, counters, memory, interrupts, the UART."""

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
from console.diagnosis.causes.faces import (
    CLOCK_HELD,
    DATA_HELD,
    FACES,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.printed_numbers import Course, courses_of
from console.diagnosis.causes.steady import lasting_complaint
from console.diagnosis.causes.uptime import near_wrap, uptime_at
from console.diagnosis.lifetimes.limits import near_limit
from console.diagnosis.scene import Scene
from decoders.durations import in_words

_NO_STOP = (SILENT, SILENT_COMPLAINED, HEALTHY_BUS)


def tick_rollover(scene: Scene, facts: Facts) -> Answer:
    """A comparison of ticks breaks when the counter runs over."""
    at_ns = _end_of_work(facts)
    uptime = uptime_at(scene, at_ns) if at_ns is not None else None
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
            not facts.stopped and bool(lasting_complaint(scene)[0]),
            "it is asked on, and the firmware complains",
        ),
        telling(
            facts.traffic.own_dead.height == 0 if facts.stopped else None,
            "it is not asked any more",
            "it is still asked",
            strength=FAIR,
        ),
    )


def _end_of_work(facts: Facts) -> int | None:
    """When the dead stretch begins; without one, when prints that came regularly end."""
    return facts.dead[0] if facts.stopped else facts.ended_ns


def counter_runs_out(scene: Scene, facts: Facts) -> Answer:
    """A table of handles is full, or a count reaches the edge of its type."""
    episode = scene.episode
    low, high = episode.polls_answered, episode.transactions_answered
    near = _near(facts, low, high)
    course = _filling(facts)
    exhausted = facts.prints(facts.dead[0] - 1000 * MS, scene.end_ns + 1, words.EXHAUSTED)
    same = _others_agree(facts)
    return judged(
        needed(
            bool(near) or course is not None or exhausted.height > 0 or bool(same),
            _why_count(near, course, exhausted, same),
            "no count stands at a limit, and none is printed that fills up",
            strength=FAIR,
            at=Place("prints", int(exhausted["t_ns"][0])) if exhausted.height else Place(),
        ),
        telling(
            exhausted.height > 0 or None,
            "the firmware says that there are none left",
            "",
            "whether any are left: the firmware does not say",
            strength=STRONG,
        ),
        telling(
            course is not None or None,
            "a number it prints rose steadily until then",
            "",
            "how many are in use: no number is printed",
            strength=FAIR,
        ),
        telling(
            same,
            "other stretches ended at the same count",
            "other stretches ended at other counts",
            "whether it ends at the same count again: it ended once",
            strength=STRONG,
        ),
        telling(
            (facts.stopped and facts.traffic.own_dead.height == 0) or None,
            "the bus is fine, and the device is not asked any more",
            "",
            "whether it is asked",
        ),
        unless(facts.hold is not None, "a line is held low"),
        unless(_memory_failed(facts), "it is memory that ran out"),
    )


def _near(facts: Facts, *counts: int) -> str:
    """A round limit that one of the counts stands at, or a table's less a few that were open."""
    if not facts.scene.of_kind("capture"):
        return _printed_until(facts.scene)
    if not facts.stopped or facts.hold is not None:
        return ""
    polls = facts.traffic.own_healthy.filter(pl.col("read") & pl.col("answered")).height
    for count in (*counts, polls):
        if found := near_limit(count, count):
            return found
        for size in (256, 512):
            if size - 10 <= count < size:
                return f"{size} less {size - count} already open"
    return ""


def _printed_until(scene: Scene) -> str:
    """A round limit at which good lines of a party end, where no capture tells more."""
    party, begins = lasting_complaint(scene)
    if not party or begins is None:
        return ""
    before = scene.table("prints").filter(pl.col("t_ns") < begins)["text"]
    count = int(before.str.to_lowercase().str.contains(rf"\b{party}\b").sum())
    return near_limit(count, count) or next(
        (f"{s} less {s - count} already open" for s in (256, 512) if s - 10 <= count < s), ""
    )


def _why_count(near: str, course: Course | None, said: pl.DataFrame, same: bool | None) -> str:
    if said.height:
        return "the firmware says that something is used up"
    if course is not None:
        return f"{course.name} rose to {course.last:,.0f} and no further"
    return f"it ended at a count near {near}" if near else f"stretches end alike: {same}"


def _others_agree(facts: Facts) -> bool | None:
    """Whether three stretches or more ended at one count, within a hundredth."""
    failed = [each.polls_answered for each in facts.others if each.failed]
    if not facts.stopped or len(failed) < 2:
        return None
    counts = [*failed, facts.scene.episode.polls_answered]
    return min(counts) > 10 and max(counts) <= 1.01 * min(counts) + 1


def _filling(facts: Facts) -> Course | None:
    """A printed count of handles that rose to a power of two, or to a table less what was open."""
    for course in courses_of(facts.scene):
        rises = course.rising and words_match(course.name, words.HANDLES)
        if rises and near_limit(course.last, course.last):
            return course
    return None


def words_match(text: str, pattern: str) -> bool:
    """Whether a text matches, by the engine that prints are searched with."""
    return bool(pl.Series([text]).str.contains(pattern)[0])


def _memory_failed(facts: Facts) -> bool:
    return facts.prints(*facts.life, words.ALLOCATION, words.COMPLAINT).height > 0


def heap_starvation(_scene: Scene, facts: Facts) -> Answer:
    """The largest free block shrinks until an allocation fails."""
    shrinking = _shrinking(facts)
    failed = words.matching(facts.scene.table("prints"), words.ALLOCATION, words.COMPLAINT)
    return judged(
        needed(
            failed.height > 0 if facts.has_prints else None,
            f"allocations fail {failed.height} times",
            "no allocation fails",
            "whether allocations fail: there is no log",
            strength=FAIR,
            at=Place("prints", int(failed["t_ns"][0])) if failed.height else Place(),
        ),
        telling(
            shrinking is not None if courses_of(facts.scene) else None,
            f"{shrinking.name} falls from {shrinking.first:,.0f} to {shrinking.last:,.0f}"
            if shrinking
            else "a printed size of memory falls",
            "no printed size of memory falls",
            "how much memory is free: no number is printed",
            strength=STRONG,
        ),
        telling(
            len(facts.link.reconnects_ns) < 5,
            "the link was not lost often",
            "the link was lost often",
        ),
    )


def _shrinking(facts: Facts) -> Course | None:
    pattern = r"(?i)heap|free|block|largest|mem"
    return next(
        (c for c in courses_of(facts.scene) if c.falling and words_match(c.name, pattern)), None
    )


def interrupt_storm(_scene: Scene, facts: Facts) -> Answer:
    """An error flag that nobody clears keeps the handler busy until the watchdog bites."""
    restarts = facts.restarts
    begin, end = facts.dead
    bitten = words.matching(facts.scene.table("prints"), words.WATCHDOG)
    after = bitten.filter(pl.col("t_ns").is_between(begin - 1000 * MS, end + 60_000 * MS))
    before = bitten.filter(pl.col("t_ns") < begin - 1000 * MS)
    return judged(
        needed(
            after.height > 0 if facts.has_prints else None,
            "the watchdog restarted the firmware",
            "the watchdog did not restart the firmware",
            "whether the watchdog bit: there is no log",
            strength=FAIR,
            at=Place("prints", int(after["t_ns"][0])) if after.height else Place(),
        ),
        (needed if facts.traffic.bus.height else telling)(
            _fault_first(facts, after) if facts.traffic.bus.height else None,
            "a fault of the bus came before, and then nothing was printed",
            "no fault of the bus came before it",
            "whether a fault of the bus came before: it was not captured",
            strength=FAIR,
        ),
        telling(
            restarts.height >= 2 or before.height > 0,
            f"{restarts.height} restarts: its uptime is a saw-tooth",
            "it restarted once",
            strength=FAIR,
        ),
    )


def _fault_first(facts: Facts, bitten: pl.DataFrame) -> bool:
    """Whether a NACK, a cut or a hold lies before the bite, with a silence of the log between."""
    if not bitten.height:
        return False
    at = int(bitten["t_ns"][0])
    near = facts.traffic.bus.filter(pl.col("start_ns").is_between(at - 20_000 * MS, at))
    faults = near.filter(pl.col("problems").list.len() > 0)
    if not faults.height:
        return False
    fault = int(faults["start_ns"][-1])
    between = facts.scene.window("prints", fault + MS, at - MS).filter(
        ~pl.col("text").str.contains(words.BOOT)
    )
    return between.height <= 2


def deaf_uart(scene: Scene, facts: Facts) -> Answer:
    """An overrun stops the receiver; sending goes on."""
    party, begins = lasting_complaint(scene)
    lines = _uart_lines(facts)
    deaf = _deaf(facts, lines)
    said = facts.prints(scene.start_ns, scene.end_ns + 1, words.OVERRUN)
    return judged(
        needed(
            bool(party) if scene.of_kind("capture") else None,
            "a party that is on no captured bus answers no more, as the firmware says to the end",
            "the firmware complains of no party beside those on the bus",
            "whether it is on a bus: none was captured",
            strength=FAIR,
            at=Place("prints", begins),
        ),
        needed(
            _others_answer(scene, begins),
            "all else goes on well",
            "others fail as well",
            strength=WEAK,
        ),
        telling(
            None if len(lines) < 2 else deaf is not None,
            "requests and replies go on on the UART all the while",
            "the UART is silent",
            "whether replies still come: the UART's lines were not decoded",
            strength=STRONG,
        ),
        telling(
            said.height > 0 or None,
            "the firmware says that its receiver was overrun",
            "",
            "whether the receiver was overrun: the firmware does not say",
            strength=FAIR,
        ),
        telling(_burst_before(facts, deaf), "it begins in a burst at the full rate of the line"),
    )


def _others_answer(scene: Scene, begins: int | None) -> bool:
    """Whether transactions after a moment are answered as before."""
    if begins is None:
        return False
    rows = scene.table("transactions").filter(pl.col("start_ns") >= begins)
    good = rows["address_acked"].fill_null(value=False).sum()
    return rows.height > 0 and good > 0.9 * rows.height


def _uart_lines(facts: Facts) -> list[pl.DataFrame]:
    rows = facts.scene.table("bytes")
    parts = rows.partition_by("source", "line", maintain_order=True)
    return [part for part in parts if part.height >= 20]


def _deaf(facts: Facts, lines: list[pl.DataFrame]) -> int | None:
    """From when complaints of timeouts do not end while bytes flow both ways on a pair of lines."""
    complaints = words.matching(facts.scene.table("prints"), words.COMPLAINT)["t_ns"].to_numpy()
    if len(complaints) < 5 or len(lines) < 2:
        return None
    begin, end = int(complaints[0]), int(complaints[-1])
    busy = [
        part.filter(pl.col("start_ns").is_between(begin, end)).height
        >= 0.3 * part.height * (end - begin) / max(facts.scene.end_ns - facts.scene.start_ns, 1)
        for part in lines
    ]
    before = complaints[complaints < begin + (end - begin) // 50]
    lasting = end > facts.scene.end_ns - (facts.scene.end_ns - begin) // 5
    return begin if sum(busy) >= 2 and lasting and len(before) < len(complaints) else None


def _burst_before(facts: Facts, deaf: int | None) -> bool | None:
    """Whether bytes follow each other without a pause just before."""
    if deaf is None:
        return None
    rows = facts.scene.window("bytes", deaf - 2000 * MS, deaf)
    for part in rows.partition_by("source", "line"):
        start, end = part["start_ns"].to_numpy(), part["end_ns"].to_numpy()
        if len(start) < 16:
            continue
        width = float(np.median(end - start))
        tight = (start[1:] - end[:-1]) < 0.5 * width
        run = np.convolve(tight, np.ones(14), "valid")
        if len(run) and run.max() >= 14:
            return True
    return False


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
    Cause(
        "counter-runs-out",
        "A count reached its limit, or handles ran out",
        "firmware",
        (*_NO_STOP, UNANSWERED),
        1.5,
        (),
        counter_runs_out,
        ("poll-rate",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "heap-starvation",
        "Memory is in pieces too small, or used up",
        "firmware",
        FACES,
        1.5,
        ("prints",),
        heap_starvation,
        ("network-off", "fixed-reconnects"),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "interrupt-storm",
        "An error flag keeps the handler busy until the watchdog restarts the board",
        "firmware",
        (SILENT, SILENT_COMPLAINED, DATA_HELD, CLOCK_HELD, UNANSWERED, HEALTHY_BUS),
        1.0,
        ("prints",),
        interrupt_storm,
        ("restart-controller", "provoke"),
        "the controller's reset line",
        "seen in public issue reports",
    ),
    Cause(
        "deaf-uart",
        "The UART's receiver stopped after an overrun",
        "firmware",
        (HEALTHY_BUS, SILENT_COMPLAINED),
        1.0,
        ("capture", "prints"),
        deaf_uart,
        ("restart-uart",),
        "the UART's two lines",
        "seen in public issue reports",
    ),
)

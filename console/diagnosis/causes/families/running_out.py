"""What firmware runs out of: handles, numbers of a type, memory."""

from __future__ import annotations

import polars as pl

from console.diagnosis.causes import prints_near as words
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
from console.diagnosis.causes.faces import FACES, HEALTHY_BUS, SILENT, SILENT_COMPLAINED, UNANSWERED
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.memory import shrinking
from console.diagnosis.causes.often import times
from console.diagnosis.causes.printed_numbers import Course
from console.diagnosis.causes.steady import lasting_complaint
from console.diagnosis.lifetimes.limits import near_limit
from console.diagnosis.scene import Scene

_NO_STOP = (SILENT, SILENT_COMPLAINED, HEALTHY_BUS)


def counter_runs_out(scene: Scene, facts: Facts) -> Answer:
    """A table of handles is full, or a count reaches the edge of its type."""
    episode = scene.episode
    low, high = episode.polls_answered, episode.transactions_answered
    near = _near(facts, low, high)
    course = _filling(facts)
    exhausted = facts.run.prints(facts.dead[0] - 1000 * MS, scene.end_ns + 1, words.EXHAUSTED)
    same = _others_agree(facts)
    shown = bool(near) or course is not None or exhausted.height > 0 or bool(same)
    once = facts.stopped and same is None  # a limit may be any number; another stop would tell
    return judged(
        needed(
            shown or (None if once else False),
            _why_count(near, course, exhausted, same),
            "no count stands at a limit, and none is printed that fills up",
            "whether a count ends it: none stands at a round limit, and it ended once",
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
            _given_up(facts) or None,
            "all else goes on, and it is given up"
            if facts.scene.of_kind("capture")
            else "all else goes on, and it fails to the end",
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


def _given_up(facts: Facts) -> bool:
    """Whether a device is not asked any more; by the log alone, whether it failed for good."""
    if not facts.scene.of_kind("capture"):
        return bool(lasting_complaint(facts.scene)[0])
    return facts.stopped and facts.traffic.own_dead.height == 0


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
    for course in facts.run.courses:
        rises = course.rising and words_match(course.name, words.HANDLES)
        if rises and near_limit(course.last, course.last):
            return course
    return None


def words_match(text: str, pattern: str) -> bool:
    """Whether a text matches, by the engine that prints are searched with."""
    return bool(pl.Series([text]).str.contains(pattern)[0])


def _memory_failed(facts: Facts) -> bool:
    return facts.run.prints(*facts.life, words.ALLOCATION, words.COMPLAINT).height > 0


def heap_starvation(_scene: Scene, facts: Facts) -> Answer:
    """The largest free block shrinks until an allocation fails."""
    falling = facts.run.once(shrinking)
    failed = words.matching(facts.scene.table("prints"), words.ALLOCATION, words.COMPLAINT)
    return judged(
        needed(
            failed.height > 0 if facts.run.has_prints else None,
            f"allocations fail {times(failed.height)}",
            "no allocation fails",
            "whether allocations fail: there is no log",
            strength=FAIR,
            at=Place("prints", int(failed["t_ns"][0])) if failed.height else Place(),
        ),
        telling(
            falling is not None if facts.run.courses else None,
            f"{falling.name} falls from {falling.first:,.0f} to {falling.last:,.0f}"
            if falling
            else "a printed size of memory falls",
            "no printed size of memory falls",
            "how much memory is free: no number is printed",
            strength=STRONG,
        ),
        telling(
            len(facts.run.link.reconnects_ns) < 5,
            "the link was not lost often",
            "the link was lost often",
        ),
    )


CAUSES = (
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
)

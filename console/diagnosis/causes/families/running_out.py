"""What firmware runs out of: handles, numbers of a type, memory."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import polars as pl

from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    Answer,
    Cause,
    Place,
    hint,
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
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.lifetimes.limits import near_limit
from console.diagnosis.scene import Scene

_NO_STOP = (SILENT, SILENT_COMPLAINED, HEALTHY_BUS)
_TABLES, _OPEN = (256, 512), 10  # handles of a table, and how many may be open before
_ROUND = 0.1  # share of counts that run out, roughly, that end at a round limit
_FEWEST = 3  # complaints from which it is tried again and again


@dataclass(frozen=True, slots=True)
class Near:
    """A round limit that a count stands at."""

    says: str
    strength: float  # by how rarely a count of that size stands at one by chance


def counter_runs_out(scene: Scene, facts: Facts) -> Answer:
    """A table of handles is full, or a count reaches the edge of its type."""
    episode = scene.episode
    low, high = episode.polls_answered, episode.transactions_answered
    near = _near(facts, low, high)
    course = _filling(facts)
    exhausted = facts.run.prints(facts.dead[0] - 1000 * MS, scene.end_ns + 1, words.EXHAUSTED)
    same = _others_agree(facts)
    second = course is not None or exhausted.height > 0 or bool(same)
    shown = near is not None or second
    once = facts.stopped and same is None  # a limit may be any number; another stop would tell
    return judged(
        needed(
            shown or (None if once else False),
            _why_count(near, course, exhausted, same),
            "no count stands at a limit, and none is printed that fills up",
            "whether a count ends it: none stands at a round limit, and it ended once",
            strength=near.strength if near is not None and not second else FAIR,
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
        hint(
            _given_up(facts),
            "all else goes on, and it is given up"
            if facts.scene.of_kind("capture")
            else "all else goes on, and it fails to the end",
        ),
        hint(
            _fails_unsent(facts),
            "the firmware says again and again that it fails, and sends nothing to it",
            strength=FAIR,
        ),
        unless(facts.hold is not None, "a line is held low"),
        unless(_memory_failed(facts), "it is memory that ran out"),
    )


def _near(facts: Facts, *counts: int) -> Near | None:
    """A round limit that one of the counts stands at, or a table's less a few that were open."""
    if not facts.scene.of_kind("capture"):
        return _at_limit({_printed_until(facts.run)})
    if not facts.stopped or facts.hold is not None:
        return None
    polls = facts.traffic.own_healthy.filter(pl.col("read") & pl.col("answered")).height
    return _at_limit({*counts, polls})


def _at_limit(counts: set[int]) -> Near | None:
    """The rarest round limit that one of some counts stands at, and how much that tells."""
    found = [near for count in sorted(counts) if (near := _limit_of(count, len(counts)))]
    return max(found, key=lambda near: near.strength, default=None)


def _limit_of(count: int, tried: int) -> Near | None:
    """A round limit of one count of several that were tried.

    Within half an octave of a count lie a power of two, its two neighbours, and a full table less
    some. A count stands there by chance as often as they are many beside the numbers there are.
    """
    said = near_limit(count, count) or next(
        (f"{s} less {s - count} already open" for s in _TABLES if s - _OPEN <= count < s), ""
    )
    if not said:
        return None
    hits = 3 + _OPEN if "already open" in said else 3
    by_chance = tried * hits / (count * (math.sqrt(2) - math.sqrt(0.5)))
    return Near(said, min(FAIR, math.log(_ROUND / by_chance)))


def _given_up(facts: Facts) -> bool:
    """Whether a device is not asked any more; by the log alone, whether it failed for good."""
    if not facts.scene.of_kind("capture"):
        return bool(facts.run.complained_of[0])
    return facts.stopped and facts.traffic.own_dead.height == 0


def _printed_until(run: RunFacts) -> int:
    """How many good lines of a party there were when it failed, where no capture tells more."""
    party, begins = run.complained_of
    if not party or begins is None:
        return 0
    before = run.scene.table("prints").filter(pl.col("t_ns") < begins)["text"]
    return int(before.str.to_lowercase().str.contains(rf"\b{party}\b").sum())


def _fails_unsent(facts: Facts) -> bool:
    """Whether firmware says again and again that a device fails, which the bus was not asked of."""
    if not facts.stopped or facts.traffic.own_dead.height or not facts.traffic.dead.height:
        return False
    name = re.escape(facts.scene.episode.device.lower())
    said = facts.run.prints(*facts.dead, words.COMPLAINT, rf"(?i)\b{name}\b")
    return said.height >= _FEWEST


def _why_count(
    near: Near | None, course: Course | None, said: pl.DataFrame, same: bool | None
) -> str:
    if said.height:
        return "the firmware says that something is used up"
    if course is not None:
        return f"{course.name} rose to {course.last:,.0f} and no further"
    if same:
        return "stretches end at one count"
    return f"it ended at a count near {near.says}" if near else "it ended at a count"


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

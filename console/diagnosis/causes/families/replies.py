"""Causes that show in replies: taken too soon, standing still, or driven by nobody."""

from __future__ import annotations

import polars as pl

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
from console.diagnosis.causes.content import Frozen, frozen_of
from console.diagnosis.causes.faces import (
    HEALTHY_BUS,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.joints import joint_parts
from console.diagnosis.causes.reply_checks import fail_their_check
from console.diagnosis.causes.reply_signs import reads_back, released
from console.diagnosis.causes.threshold import gap_threshold
from console.diagnosis.scene import Scene
from console.watch.findings import counted
from decoders.durations import in_words

_CONTENT = (WRONG_CONTENT, HEALTHY_BUS)
_LONG = 3  # bytes of a reply that is more than one value, which may be at the end of its range


def read_too_soon(_scene: Scene, facts: Facts) -> Answer:
    """The reply is taken before the conversion has ended."""
    found = facts.once(gap_threshold)
    return judged(
        needed(
            found is not None,
            f"every wrong or stale reply was read within {in_words(found.edge_ns)} of its command, "
            f"and {found.good_above} good ones were read later"
            if found
            else "wrong replies are those read soonest after their command",
            "wrong or stale replies are not those read soonest after their command",
            strength=STRONG,
            at=Place("transactions", found.first_ns) if found else Place(),
        ),
        needed(
            found is not None and found.bad_below >= 3,
            f"that is {found.bad_below} of {found.bad_below + found.good_below} read so soon"
            if found
            else "several are",
            "there are too few of them",
            strength=FAIR,
        ),
        telling(found is not None and found.good_below == 0, "no good one was read so soon"),
    )


def frozen_target(_scene: Scene, facts: Facts) -> Answer:
    """The bus is perfect, and the content never changes."""
    found = frozen_of(facts.traffic.replies)
    ones = facts.once(released)
    return judged(
        needed(
            _stands_still(found),
            f"{found.run} replies in a row are the same, {found.usual_run} at most before"
            if found
            else "one reply is repeated",
            "no run of one same reply is longer than usual",
            "whether it is frozen: too few replies"
            if found is None
            else "whether it is frozen: what it read had no noise, and may stand still in health",
            strength=STRONG,
            at=Place("transactions", found.begins_ns) if found else Place(),
        ),
        telling(found is not None and found.lasts, "to the end", "it moved again"),
        unless(ones.height > 0, "they are all ones: nobody drives SDA"),
        unless(_too_many_wrong(facts, found is not None and found.beyond), "they are wrong ones"),
        unless(facts.once(reads_back), "a register that was set up reads otherwise: it restarted"),
        unless(facts.once(joint_parts), "they follow another joint of write and read"),
    )


def _stands_still(found: Frozen | None) -> bool | None:
    """Whether what had noise stands still; inputs of a port do so whenever nothing moves."""
    if found is None or (found.beyond and not found.noisy):
        return None
    return found.beyond


def _too_many_wrong(facts: Facts, frozen: bool) -> bool:
    """Whether the frozen replies fail their check: then they were not measured at all."""
    bad = facts.bad_replies
    return frozen and bad is not None and bad.height > 0.3 * facts.traffic.replies.height


def released_line(_scene: Scene, facts: Facts) -> Answer:
    """The address is acknowledged, then nobody drives SDA: all ones, a check byte too.

    Where no check code says that it is no value, it may be one: a sensor at the end of its range,
    memory that was erased.
    """
    ones = facts.once(released)
    tail = _ones_tail(facts)
    found = ones if ones.height else tail
    wrong = fail_their_check(facts, found)
    return judged(
        needed(
            found.height > 0,
            f"{counted(found.height, 'reply ends', 'replies end')} in all ones"
            + (
                ", the check byte too" if wrong else "; no check code tells whether that is a value"
            ),
            "no reply is all ones",
            strength=STRONG if wrong else _as_a_value(facts, found),
            at=Place("transactions", int(found["start_ns"][0])) if found.height else Place(),
        ),
        needed(
            bool(found.height) and bool(found["address_acked"].all()),
            "the address was acknowledged",
            "the address was not acknowledged",
            strength=WEAK,
        ),
        telling(
            found.height >= 3 and _to_the_end(facts, found),
            "and so is every reply since",
            "replies after them were driven again",
        ),
        unless(_soon(facts), "they are those read soonest after their command"),
        unless(_let_go(facts, found), "SCL was low for 25 ms in them: targets let go then"),
    )


def _as_a_value(facts: Facts, ones: pl.DataFrame) -> float:
    """How much replies of all ones tell that no check code calls wrong.

    Three bytes and more are no single value at the end of its range; and what answered the same
    request otherwise is no erased memory.
    """
    others = facts.traffic.replies.join(ones.select("start_ns"), on="start_ns", how="anti")
    long = ones.filter(pl.col("length") < _LONG).height == 0
    return FAIR if long and ones["asked"].is_in(others["asked"].implode()).all() else WEAK


def _let_go(facts: Facts, found: pl.DataFrame) -> bool | None:
    """Whether the clock rested for SMBus's tTIMEOUT in most of these replies, or just before."""
    clocks = facts.clocks
    if clocks is None:
        return None
    rests = clocks.rise_ns[clocks.low_ns >= SMBUS_NS]
    begin, end = found["start_ns"].to_numpy() - MS, found["end_ns"].to_numpy()
    rested = rests.searchsorted(end, "right") > rests.searchsorted(begin)
    return bool(len(rested)) and bool(rested.mean() > 0.5)


def _ones_tail(facts: Facts) -> pl.DataFrame:
    """Replies of which the last three bytes and more are ones, where that is new."""
    replies = facts.traffic.replies
    tails = replies.filter(pl.col("data").str.contains(r"(?:ff){3,}$"))
    return tails if tails.height <= 0.5 * replies.height else tails.clear()


def _to_the_end(facts: Facts, rows: pl.DataFrame) -> bool:
    later = facts.traffic.replies.filter(pl.col("start_ns") >= int(rows["start_ns"][0]))
    return bool(later.height == rows.height)


def _soon(facts: Facts) -> bool:
    found = facts.once(gap_threshold)
    return found is not None and found.bad_below >= 3


CAUSES = (
    Cause(
        "read-too-soon",
        "Replies are read before the conversion has ended",
        "controller",
        _CONTENT,
        2.0,
        ("capture",),
        read_too_soon,
        ("wait-before-read", "prints-off"),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "frozen-target",
        "The target answers, but its content never changes",
        "target",
        _CONTENT,
        2.0,
        ("capture",),
        frozen_target,
        ("power-target", "poll-rate"),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "released-line",
        "The target acknowledges its address and then drives nothing",
        "target",
        _CONTENT,
        2.0,
        ("capture",),
        released_line,
        ("power-target",),
        "",
        "UM10204 section 3.1.1; seen in public issue reports",
    ),
)

"""Causes in who asks for what: callers without a lock, and requests nobody made."""

from __future__ import annotations

from itertools import combinations

import polars as pl

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    place_of,
    telling,
    unless,
)
from console.diagnosis.causes.faces import (
    DATA_HELD,
    HEALTHY_BUS,
    SILENT,
    SILENT_COMPLAINED,
    UNANSWERED,
    WRONG_CONTENT,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.scans import scans_in
from console.diagnosis.causes.traffic import WHOLE
from console.diagnosis.scene import Scene, is_own

_ANY = (UNANSWERED, WRONG_CONTENT, HEALTHY_BUS, SILENT_COMPLAINED, SILENT, DATA_HELD)


def interleaved_callers(_scene: Scene, facts: Facts) -> Answer:
    """Two tasks share the bus without a lock over write and read."""
    mixed, reads = _mixed(facts)
    share = mixed.height / max(reads, 1)
    return judged(
        needed(
            mixed.height > 0,
            f"{mixed.height} reads were parted from their register write by another transaction",
            "no read was parted from its register write",
            strength=FAIR,
            at=place_of(mixed),
        ),
        needed(
            0 < share < 0.3,
            f"the other {reads - mixed.height} follow their write at once",
            "that is the usual order here",
            strength=FAIR,
        ),
        telling(
            _bad_among(facts, mixed),
            "their replies are wrong more often than others",
            "their replies are as good as others",
            "whether their replies are wrong: nothing tells good ones from wrong ones",
            strength=FAIR,
        ),
        unless(facts.once(scans_in).height > 0, "an address scan ran"),
        unless(facts.coupled, "edges of one line make clocks of the other"),
    )


def _mixed(facts: Facts) -> tuple[pl.DataFrame, int]:
    """Own reads that somebody else's transaction parted from their write, and all own reads.

    Parted by a transaction to another address, or by a second register write to the same one.
    """
    before, before_2 = pl.col("address").shift(1), pl.col("address").shift(2)
    register = ~pl.col("read") & (pl.col("length") == 1)
    rows = facts.traffic.bus.with_columns(
        foreign=(before != pl.col("address")) & (before_2 == pl.col("address")),
        crossed=(before == pl.col("address")) & (before_2 == pl.col("address")),
        write=register.shift(1),
        write_2=register.shift(2),
    )
    reads = rows.filter(is_own(facts.scene.episode) & pl.col("read"))
    parted = pl.col("write_2") & (pl.col("foreign") | (pl.col("crossed") & pl.col("write")))
    return reads.filter((pl.col("started_by") == "start") & parted), reads.height


def _bad_among(facts: Facts, rows: pl.DataFrame) -> bool | None:
    bad = facts.bad_replies
    if bad is None or not rows.height:
        return None
    starts = set(bad["start_ns"].to_list())
    hit = sum(t in starts for t in rows["start_ns"].to_list()) / rows.height
    rest = (len(starts) - hit * rows.height) / max(facts.traffic.replies.height - rows.height, 1)
    return hit > 0.3 and hit > 5 * rest


def wrong_transaction(_scene: Scene, facts: Facts) -> Answer:
    """The driver sends what nobody asked for: a shape never seen before, and then the end."""
    usual = facts.traffic.usual_shapes
    odd = None if usual is None else _odd_before_end(facts, usual)
    return judged(
        needed(
            None if odd is None else odd.height > 0,
            "a transaction of a shape that was never seen before came right before the end",
            "every transaction before the end has a usual shape",
            "which shapes are usual: this bus has too many",
            strength=STRONG,
            at=place_of(odd) if odd is not None else Place(),
        ),
        telling(
            None if odd is None else odd.height == 1 and bool(odd["answered"].all()),
            "it is whole, and was acknowledged",
        ),
        unless(facts.once(scans_in).height > 0, "an address scan ran"),
        unless(_rebooted_before(facts), "the firmware restarted: it sets its devices up anew"),
        unless(
            None if facts.disturbed is None else _slipped(facts), "a short clock lies before it"
        ),
        unless(bool(odd is not None and odd.height and _ands(facts, odd)), "two controllers spoke"),
    )


def _odd_before_end(facts: Facts, usual: set[str]) -> pl.DataFrame:
    """Whole transactions of the bus around the end, of a shape seen twice at most."""
    begin = facts.traffic.last_good_ns - 2 * facts.traffic.period_ns - MS
    rows = facts.traffic.bus.filter(
        (pl.col("start_ns") >= begin)
        & (pl.col("start_ns") <= facts.dead[0] + MS)
        & WHOLE
        & ~pl.col("shape").is_in(list(usual))
    )
    counts = facts.traffic.whole_run["shape"].value_counts()
    rare = counts.filter(pl.col("count") <= 2)["shape"].to_list()
    return rows.filter(pl.col("shape").is_in(rare) & is_own(facts.scene.episode))


def _rebooted_before(facts: Facts) -> bool:
    begin = facts.traffic.last_good_ns - 2 * facts.traffic.period_ns - 1000 * MS
    return bool(facts.run.restarts["t_ns"].is_between(begin, facts.dead[0] + 200 * MS).any())


def _slipped(facts: Facts) -> bool:
    found = facts.disturbed
    if found is None:
        return False
    t_ns = found.scl_ns
    return bool(((t_ns > facts.traffic.last_good_ns - MS) & (t_ns <= facts.dead[0] + MS)).any())


def _ands(facts: Facts, rows: pl.DataFrame) -> bool:
    known = [a for a in facts.traffic.addresses if a not in set(rows["address"].drop_nulls())]
    mixed = {a & b for a, b in combinations(known, 2)} - set(facts.traffic.addresses)
    return bool(rows["address"].is_in(list(mixed)).any())


CAUSES = (
    Cause(
        "interleaved-callers",
        "Two tasks share the bus without a lock",
        "controller",
        _ANY,
        2.0,
        ("capture",),
        interleaved_callers,
        ("one-caller",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "wrong-transaction",
        "The driver sends what nobody asked for",
        "controller",
        _ANY,
        1.5,
        ("capture",),
        wrong_transaction,
        ("one-caller", "prints-off"),
        "",
        "seen in public issue reports",
    ),
)

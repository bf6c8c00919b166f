"""Whether replies are sound after one joint of write and read, and mean nothing after the other."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from console.diagnosis.causes.bad_replies import FILLER
from console.diagnosis.causes.content import other_layout
from console.diagnosis.causes.facts import Facts

_FEWEST = 5
_SOUND, _EMPTY = 0.4, 0.15  # share of replies that are fresh


@dataclass(frozen=True, slots=True)
class Joints:
    """What became of two joints of write and read, in one request that came with both."""

    both: bool  # some request came with both
    parts: bool  # one of them gives sound replies and the other does not, or something else


def joints_of(facts: Facts) -> Joints:
    """Compare the two joints, each request with itself: other registers have other contents."""
    replies = facts.traffic.replies.filter(pl.col("asked") != "")
    rows = replies.with_columns(fresh=_fresh(facts))
    requests = rows.partition_by("asked", maintain_order=True)
    both = [each for each in requests if _of_both(each)]
    return Joints(bool(both), any(_parts(each) for each in both))


def joint_parts(facts: Facts) -> bool:
    """Whether one joint gives sound replies and the other does not, or something else."""
    return facts.once(joints_of).parts


def _fresh(facts: Facts) -> pl.Expr:
    """Replies that are new, whole and no filler."""
    bad = facts.bad_replies
    wrong = (
        pl.lit(value=False)
        if bad is None or facts.scene.episode.how == "invalid"
        else pl.col("start_ns").is_in(bad["start_ns"].implode())
    )
    new = pl.col("data") != pl.col("data").shift(1).over("asked", "started_by")
    return new & ~pl.col("data").str.contains(FILLER) & ~wrong


def _of_both(rows: pl.DataFrame) -> bool:
    counts = rows["started_by"].value_counts()["count"]
    return len(counts) == 2 and bool((counts >= _FEWEST).all())


def _parts(rows: pl.DataFrame) -> bool:
    """Whether the two joints of one request give different replies."""
    shares = rows.group_by("started_by").agg(pl.col("fresh").mean())["fresh"].fill_null(0.0)
    low, high = shares.sort()
    if high >= _SOUND and low <= _EMPTY:
        return True
    is_usual = pl.col("started_by") == rows["started_by"][0]
    return other_layout(rows.filter(is_usual), rows.filter(~is_usual))

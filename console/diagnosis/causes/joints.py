"""Whether replies are sound after one joint of write and read, and mean nothing after the other."""

from __future__ import annotations

import polars as pl

from console.diagnosis.causes.bad_replies import FILLER
from console.diagnosis.causes.content import other_layout
from console.diagnosis.causes.facts import Facts

_FEWEST = 5
_SOUND, _EMPTY = 0.4, 0.15  # share of replies that are fresh


def fresh_by_joint(facts: Facts) -> dict[str, float]:
    """Of each joint (`start`, `restart`) the share of replies that are new, whole and no filler."""
    replies = facts.traffic.replies.filter(pl.col("asked") != "")
    bad = facts.bad_replies
    wrong = (
        pl.lit(value=False)
        if bad is None or facts.scene.episode.how == "invalid"
        else pl.col("start_ns").is_in(bad["start_ns"].implode())
    )
    rows = replies.with_columns(
        fresh=(pl.col("data") != pl.col("data").shift(1).over("asked", "started_by"))
        & ~pl.col("data").str.contains(FILLER)
        & ~wrong
    )
    counted = rows.group_by("started_by").agg(pl.col("fresh").mean(), pl.len())
    return {str(j): float(share or 0.0) for j, share, n in counted.iter_rows() if n >= _FEWEST}


def joint_parts(facts: Facts) -> bool:
    """Whether one joint gives sound replies and the other does not, or something else."""
    shares = facts.once(fresh_by_joint)
    if len(shares) != 2:
        return False
    if max(shares.values()) >= _SOUND and min(shares.values()) <= _EMPTY:
        return True
    replies = facts.traffic.replies.filter(pl.col("asked") != "")
    usual = str(replies["started_by"][0])
    is_usual = pl.col("started_by") == usual
    return other_layout(replies.filter(is_usual), replies.filter(~is_usual))

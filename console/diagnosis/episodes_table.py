"""The `episodes` table: one row for each life of a peripheral."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from console.diagnosis.episode import Episode

SCHEMA: Mapping[str, pl.DataType] = {
    "last_good_ns": pl.Int64(),
    "first_bad_ns": pl.Int64(),  # of a life that did not fail, the end of what was observed
    "until_ns": pl.Int64(),
    "device": pl.String(),
    "source": pl.String(),
    "bus": pl.String(),
    "address": pl.Int32(),
    "address_bits": pl.UInt8(),
    "how": pl.String(),
    "failed": pl.Boolean(),
    "recovered": pl.Boolean(),
    "transactions_answered": pl.Int64(),
    "polls_answered": pl.Int64(),
    "elapsed_ns": pl.Int64(),
    "transactions_unanswered": pl.Int64(),
    "different": pl.List(pl.String),  # most surprising first, maybe none; null: nobody looked
    "cause": pl.String(),  # the likeliest; null when nobody looked
}


def episodes_frame(
    episodes: Sequence[Episode],
    different: Sequence[Sequence[str] | None] = (),
    cause: Sequence[str | None] = (),
) -> pl.DataFrame:
    """The table, in the order of the episodes.

    Args:
        episodes: n lives.
        different: of each what was different just before, in words; none when nobody looked.
        cause: of each the likeliest cause; none when nobody looked.

    Raises:
        ValueError: if there are words, but not for each of the episodes.
    """
    n = len(episodes)
    what = list(different) or [None] * n
    why = list(cause) or [None] * n
    if not len(what) == len(why) == n:
        raise ValueError(f"{n} episodes, but words for {len(what)} and {len(why)}")
    columns = {
        name: pl.Series([getattr(each, name) for each in episodes], dtype=kind)
        for name, kind in SCHEMA.items()
        if name not in ("different", "cause")
    }
    words = [None if each is None else list(each) for each in what]
    columns["different"] = pl.Series(words, dtype=SCHEMA["different"])
    columns["cause"] = pl.Series(why, dtype=SCHEMA["cause"])
    return pl.DataFrame(columns)

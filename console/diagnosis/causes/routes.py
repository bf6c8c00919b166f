"""By which channels of a switch a device is reached, and whether wrong replies came by others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.causes.content import anded_since, other_layout
from console.diagnosis.causes.facts import Facts
from console.diagnosis.scene import Int64s, is_own

_MUX = (0x70, 0x77)  # where channel switches of two-wire buses sit by their data sheets
_NEW = 20  # accesses by one way before another counts as new


@dataclass(frozen=True, slots=True)
class Routes:
    """How the switch stood before the device's accesses; begins of transactions in ns."""

    switched: int  # answered writes to the switch
    failed_ns: list[int]  # accesses unanswered, wrong or in the dead stretch
    wrong_ns: list[int]  # those of them with the switch otherwise than before good ones; else those
    # by a new way after which replies mean something else
    parts: bool  # there is such a way
    several: bool  # by it, several channels are open


def routes_of(facts: Facts) -> Routes:
    """Of the episode's device."""
    writes = _switch_writes(facts)
    good = writes.filter(pl.col("answered") & (pl.col("length") == 1)).height
    if good < 3:
        return Routes(good, [], [], parts=False, several=False)
    own = facts.traffic.own.filter(pl.col("started_by") != "restart")
    way = _ways(own, writes)
    failed, wrong = _failed(facts, own, way)
    new, opened = _by_new_way(facts, own, way)
    return Routes(
        good, failed, wrong or new, parts=bool(new), several=bool(new) and opened.bit_count() > 1
    )


def _switch_writes(facts: Facts) -> pl.DataFrame:
    """One-byte writes to addresses of channel switches."""
    return facts.traffic.bus.filter(
        pl.col("address").is_between(*_MUX)
        & ~pl.col("read")
        & ~is_own(facts.scene.episode)
        & (pl.col("length") <= 1)
    )


def _ways(own: pl.DataFrame, writes: pl.DataFrame) -> list[tuple[str, bool]]:
    """Before each own access: what the switch was last set to, and whether anew since the last."""
    times = writes["start_ns"].to_numpy()
    values = [*writes["data"].to_list(), "never"]
    acked = [*writes["answered"].to_list(), False]
    at = times.searchsorted(own["start_ns"].to_numpy()) - 1
    set_to = [values[k] if k >= 0 and acked[k] else "refused" for k in at.tolist()]
    return list(zip(set_to, _fresh(own, times), strict=True))


def _failed(
    facts: Facts, own: pl.DataFrame, way: list[tuple[str, bool]]
) -> tuple[list[int], list[int]]:
    """Failed own accesses, and those of them whose way is not that of most good ones."""
    wrong = set() if facts.bad_replies is None else set(facts.bad_replies["start_ns"].to_list())
    rows = [
        (start, each, (not answered) or start in wrong or start >= facts.dead[0])
        for answered, start, each in zip(own["answered"], own["start_ns"], way, strict=True)
    ]
    usual = [each for _, each, bad in rows if not bad]
    if not usual:
        return [], []
    common = max(set(usual), key=usual.count)
    failed = [row for row in rows if row[2]]
    return [t for t, *_ in failed], [t for t, each, _ in failed if each != common]


def _by_new_way(
    facts: Facts, own: pl.DataFrame, way: list[tuple[str, bool]]
) -> tuple[list[int], int]:
    """Accesses by a way that came up late, its replies others' or ANDed; and its value."""
    early = way[:_NEW]
    first = max(set(early), key=early.count, default=("", False))
    at = next((k for k, each in enumerate(way) if k >= _NEW and each not in early), 0)
    if not at or not way[at][0].isalnum() or way[at][0] in ("refused", "never"):
        return [], 0
    begins = own["start_ns"].to_numpy()
    replies = facts.traffic.replies
    access = begins.searchsorted(replies["start_ns"].to_numpy(), "right") - 1
    usual = pl.Series([way[max(k, 0)] == first for k in access.tolist()], dtype=pl.Boolean)
    others = pl.Series([way[max(k, 0)] == way[at] for k in access.tolist()], dtype=pl.Boolean)
    since = anded_since(replies)
    joined = since is not None and abs(int(access[_row_of(replies, since)]) - at) <= 1
    if not joined and not other_layout(replies.filter(usual), replies.filter(others)):
        return [], 0
    found = [t for t, each in zip(begins.tolist(), way, strict=True) if each == way[at]]
    return found, int(way[at][0] or "0", 16)


def _row_of(replies: pl.DataFrame, start_ns: int) -> int:
    return int(replies["start_ns"].search_sorted(start_ns, side="left"))


def _fresh(own: pl.DataFrame, times: Int64s) -> list[bool]:
    """Whether the switch was written since the own access before."""
    starts = own["start_ns"].to_numpy()
    at = times.searchsorted(starts)
    return [True, *(np.diff(at) > 0).tolist()] if len(at) else []

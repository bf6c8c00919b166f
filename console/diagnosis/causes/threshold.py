"""Whether wrong replies are those that were read soonest after their command."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.causes.facts import Facts
from console.diagnosis.scene import Bools

_FEWEST = 3


@dataclass(frozen=True, slots=True)
class GapThreshold:
    """The gap between command and read that parts wrong replies from right ones."""

    edge_ns: int
    bad_below: int
    good_below: int
    good_above: int
    bad_above: int
    first_ns: int


def gap_threshold(facts: Facts) -> GapThreshold | None:
    """The best single split of wrong and right replies by gap; None where it is not sharp.

    Sharp: at most one in twenty replies lies on the wrong side, and chance would not do that: the
    gaps of the wrong replies are all below those of nearly all right ones. Where no reply is called
    wrong, those that repeat the one before are tried: a stale reply is that.
    """
    rows = facts.traffic.replies.with_columns(
        again=(pl.col("data") == pl.col("data").shift(1)).fill_null(value=False)
    )
    rows = rows.filter(pl.col("gap_ns").is_not_null()).sort("gap_ns")
    bad = facts.bad_replies
    if bad is not None and bad.height >= _FEWEST:
        wrong = rows["start_ns"].is_in(bad["start_ns"].implode()).to_numpy()
        return _split(rows, wrong)
    return _split(rows, rows["again"].to_numpy())


def _split(rows: pl.DataFrame, wrong: Bools) -> GapThreshold | None:
    """The best split of rows sorted by gap."""
    gaps = rows["gap_ns"].to_numpy()
    if wrong.sum() < _FEWEST or (~wrong).sum() < _FEWEST:
        return None
    below = np.cumsum(wrong) + (np.sum(~wrong) - np.cumsum(~wrong))
    best = int(np.argmax(below))
    if best + 1 >= len(gaps) or below[best] < 0.95 * len(gaps) or gaps[best] == gaps[best + 1]:
        return None
    edge = int(gaps[best] + gaps[best + 1]) // 2
    first = rows.filter(pl.Series(wrong))["start_ns"].min()
    bad_below = int(wrong[: best + 1].sum())
    return GapThreshold(
        edge,
        bad_below,
        best + 1 - bad_below,
        int((~wrong[best + 1 :]).sum()),
        int(wrong[best + 1 :].sum()),
        int(str(first)),
    )

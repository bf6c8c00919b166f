"""Transactions of other addresses on the same bus: which, and how shortly before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure
from console.diagnosis.before.row_words import other_words, place_of, short_words
from console.diagnosis.before.statistics import (
    Floats,
    Ints,
    Truths,
    codes_of,
    isolation,
    largest_of,
    novelty,
)
from console.diagnosis.before.timing import LEAST_RATIO
from decoders.durations import in_words

_COMMON = 50  # times a transaction was there, from which on it is a common one


def neighbour(history: History) -> Kind | None:
    """What another address was asked right before, how shortly, and between two polls.

    None when the peripheral is alone on its bus.
    """
    form = pl.concat_str(
        pl.col("address").cast(pl.String).fill_null("?"),
        pl.col("address_bits").cast(pl.String).fill_null("?"),
        pl.col("read").cast(pl.String).fill_null("?"),
        pl.when("read").then(pl.lit("")).otherwise(pl.col("data").str.slice(0, 2)).fill_null(""),
        separator="|",
    )
    codes = codes_of(history.bus.select(form).to_series())
    others = np.ones(history.bus.height, np.bool_)
    others[history.own_at] = False
    inside = others & (history.bus["start_ns"].to_numpy() >= history.starts_ns[0])
    if not inside.any():
        return None
    return Kind(
        "neighbour",
        history.units,
        [*_right_before(history, codes, others), _between(history, codes, np.flatnonzero(inside))],
    )


def _right_before(history: History, codes: Ints, others: Truths) -> list[Measure]:
    """The transaction before each own one, with its pause, where it is of another address."""
    at = np.maximum(history.own_at - 1, 0)
    foreign = others[at] & (history.own_at > 0)
    direction = history.own["read"].fill_null(value=False).to_numpy().astype(np.int64)
    pair = np.where(foreign, codes[at] * 2 + direction + 1, 0)
    pause = history.bus["start_ns"].to_numpy()[history.own_at]
    pause = np.maximum(pause - history.bus["end_ns"].to_numpy()[at], 1).astype(np.float64)
    measures = []
    # What is rare between polls is told by that; here, what is common and rarely right before.
    first = np.append(True, history.unit[1:] != history.unit[:-1])
    common = np.bincount(codes)[codes[at]] >= _COMMON
    new = np.where(common | ~first, novelty(pair), 0.0)
    for odd in (new, isolation(np.log(pause), pair, LEAST_RATIO)):
        scores = np.where(foreign, odd, 0.0)
        largest, rows = largest_of(scores, history.unit, history.n)
        measures.append(Measure(largest, _Beside(history, at, rows, pair, pause).said))
    return measures


@dataclass(frozen=True, slots=True, eq=False)
class _Beside:
    """Words about own transactions and the one before each."""

    history: History
    at: Ints  # [k] row of `bus` before each own row
    rows: Ints  # [n] own row of each unit
    pair: Ints  # [k] equal for equal pairs
    pause_ns: Floats  # [k] between the two

    def said(self, unit: int) -> Said:
        """About one unit."""
        history, pair, pause, at, rows = self.history, self.pair, self.pause_ns, self.at, self.rows
        k = int(rows[unit])
        before = history.bus.row(int(at[k]), named=True)
        words, same = _words(history, k, pause[k], before)
        return Said(words, place_of(before), same, _share(history, pair, pair[k]), round(pause[k]))


def _between(history: History, codes: Ints, rows: Ints) -> Measure:
    """Rare transactions of others anywhere between two polls."""
    times = history.bus["start_ns"].to_numpy()[rows]
    unit = history.units_at(times)
    scores: Floats = novelty(codes[rows])
    largest, best = largest_of(scores, unit, history.n)

    def said(number: int) -> Said:
        row = history.bus.row(int(rows[best[number]]), named=True)
        code = codes[rows[best[number]]]
        alike = np.unique(unit[(codes[rows] == code) & (unit >= 0)])
        healthy = history.units.healthy
        share = float((healthy[alike].sum() + 1) / (healthy.sum() + 1))
        k = min(int(np.searchsorted(history.own_at, rows[best[number]])), len(history.own_at) - 1)
        pause_ns = history.own["start_ns"][k] - row["end_ns"]
        words, same = _words(history, k, pause_ns, row)
        return Said(words, place_of(row), same, share, pause_ns)

    return Measure(largest, said)


def _share(history: History, codes: Ints, code: int) -> float:
    same = np.unique(history.unit[(codes == code) & (history.unit >= 0)])
    healthy = history.units.healthy
    return float((healthy[same].sum() + 1) / (healthy.sum() + 1))


def _words(history: History, k: int, pause_ns: float, before: Mapping[str, Any]) -> tuple[str, str]:
    """Own row k and what came before it; and that without what differs between episodes."""
    row = history.own.row(k, named=True)
    is_bad = history.unit[k] == history.units.bad
    head = "the first unanswered transaction" if is_bad else short_words(row)
    after = f"after {other_words(before)}"
    return f"{head} {in_words(pause_ns)} {after}", f"a transaction {after}"

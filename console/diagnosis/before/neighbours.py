"""Transactions of other addresses on the same bus: which, and how shortly before."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure
from console.diagnosis.before.row_words import other_words, place_of, short_words
from console.diagnosis.before.statistics import (
    Floats,
    Ints,
    codes_of,
    isolation,
    largest_of,
    novelty,
)
from decoders.durations import in_words


def neighbour(history: History) -> Kind | None:
    """What another address was asked right before, how shortly, and between two polls.

    None when the peripheral is alone on its bus.
    """
    form = pl.concat_str(
        pl.col("address").cast(pl.String).fill_null("?"),
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
        [_right_before(history, codes, others), *_between(history, codes, np.flatnonzero(inside))],
    )


def _right_before(history: History, codes: Ints, others: np.ndarray) -> Measure:
    """The transaction before each own one, with its pause, where it is of another address."""
    at = np.maximum(history.own_at - 1, 0)
    foreign = others[at] & (history.own_at > 0)
    direction = history.own["read"].fill_null(value=False).to_numpy().astype(np.int64)
    pair = np.where(foreign, codes[at] * 2 + direction + 1, 0)
    pause = history.bus["start_ns"].to_numpy()[history.own_at]
    pause = np.maximum(pause - history.bus["end_ns"].to_numpy()[at], 1).astype(np.float64)
    # Two scores on one scale: how often such a neighbour was, and how alone its pause is.
    new = np.log10(len(pair)) + np.log10(novelty(pair))
    scores = np.where(foreign, np.maximum(new, isolation(np.log(pause), pair)), 0.0)
    largest, rows = largest_of(np.maximum(scores, 0.0), history.unit, history.n)

    def said(unit: int) -> Said:
        k = int(rows[unit])
        row, before = history.own.row(k, named=True), history.bus.row(int(at[k]), named=True)
        what = f"after {other_words(before)}"
        head = "asked" if unit == history.units.bad else short_words(row)
        words = f"{head} {in_words(float(pause[k]))} {what}"
        return Said(words, place_of(before), what, _share(history, pair, pair[k]), round(pause[k]))

    return Measure(largest, said)


def _between(history: History, codes: Ints, rows: Ints) -> list[Measure]:
    """Rare transactions of others anywhere between two polls."""
    times = history.bus["start_ns"].to_numpy()[rows]
    unit = history.units_at(times)
    scores: Floats = novelty(codes[rows])
    largest, best = largest_of(scores, unit, history.n)

    def said(number: int) -> Said:
        row = history.bus.row(int(rows[best[number]]), named=True)
        code = codes[rows[best[number]]]
        same = np.unique(unit[(codes[rows] == code) & (unit >= 0)])
        healthy = history.units.healthy
        share = float((healthy[same].sum() + 1) / (healthy.sum() + 1))
        what = f"after {other_words(row)}"
        before_ns = history.until_ns - row["start_ns"]
        words = f"{other_words(row)} {in_words(before_ns)} before the first unanswered transaction"
        return Said(words, place_of(row), what, share, before_ns)

    return [Measure(largest, said)]


def _share(history: History, codes: Ints, code: int) -> float:
    same = np.unique(history.unit[(codes == code) & (history.unit >= 0)])
    healthy = history.units.healthy
    return float((healthy[same].sum() + 1) / (healthy.sum() + 1))

"""What was in the bytes: values rare at their place, and a reply left over from the one before."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure
from console.diagnosis.before.row_words import place_of, short_words
from console.diagnosis.before.statistics import (
    LEAST_GROUP,
    Floats,
    Ints,
    codes_of,
    largest_of,
    seen_before,
)

_MOST_PLACES = 64  # bytes of a transaction
_MOST_GROUPS = 32
_MOST_OF_A_GROUP = 50_000
_RARE = 5  # a value seen at most so often before is rare there
_VARIES = 0.005  # where more than this share is rare, no value is unusual
_LEAST_LEFTOVER, _MOST_LEFTOVER = 2, 8


def rare_bytes(history: History) -> Kind:
    """Values that were hardly ever at their place before, where that place has usual values.

    A place is a byte of transactions of one direction and length (of writes, with one first byte).
    Sums, counters and measured values have no usual value, and are left out.
    """
    data = history.own["data"].fill_null("")
    scores, place = np.zeros(len(data)), np.full(len(data), -1, np.int64)
    groups = _alike(history)
    sizes = np.bincount(groups[groups >= 0]) if (groups >= 0).any() else np.zeros(0, np.int64)
    for group in np.argsort(-sizes)[:_MOST_GROUPS]:
        rows = np.flatnonzero(groups == group)[-_MOST_OF_A_GROUP:]
        if len(rows) >= LEAST_GROUP:
            scores[rows], place[rows] = _rarest(_matrix(data, rows))
    largest, at = largest_of(scores, history.unit, history.n)

    def said(unit: int) -> Said:
        k = int(at[unit])
        row, byte = history.own.row(k, named=True), int(place[k])
        rows = np.flatnonzero(groups == groups[k])[-_MOST_OF_A_GROUP:]
        values = _matrix(data, rows)[:, byte]
        value = bytes.fromhex(row["data"])[byte]
        usual = _usual(values)
        words = f"byte {byte + 1} of {short_words(row)} is {value:02X} (usually {usual})"
        share = float(((values == value).sum() + 1) / (len(values) + 1))
        return Said(
            words, place_of(row), f"byte {byte + 1} of {short_words(row)} being {value:02X}", share
        )

    return Kind("bytes", history.units, [Measure(largest, said)])


def leftover(history: History) -> Kind:
    """Replies that begin with the last bytes of the reply before: one that was not read to its end.

    A reply that is the whole of the one before says nothing: the value may be constant.
    """
    replies = (history.own["read"].fill_null(value=False)).to_numpy() & (
        history.unit <= history.units.last
    )
    at_rows = np.flatnonzero(replies)
    data = history.own["data"].fill_null("").gather(at_rows)
    frame = pl.DataFrame({"now": data, "before": data.shift(1).fill_null("")})
    scores = np.zeros(len(data))
    for count in range(_LEAST_LEFTOVER, _MOST_LEFTOVER + 1):
        tail = pl.col("before").str.slice(-2 * count)
        same = (
            (pl.col("now").str.len_bytes() > 2 * count)
            & (pl.col("before").str.len_bytes() > 2 * count)
            & (pl.col("now").str.slice(0, 2 * count) == tail)
            & (pl.col("now") != pl.col("before"))
        )
        scores[frame.select(same).to_series().to_numpy()] = count
    whole = np.zeros(len(history.own))
    whole[at_rows] = scores
    largest, at = largest_of(whole, history.unit, history.n)

    def said(unit: int) -> Said:
        row, count = history.own.row(int(at[unit]), named=True), int(largest[unit])
        words = (
            f"{short_words(row)} begins with the last {count} bytes of the reply before it "
            f"({row['data'][: 2 * count].upper()})"
        )
        healthy = history.units.healthy
        share = float(((largest[healthy] > 0).sum() + 1) / (healthy.sum() + 1))
        return Said(words, place_of(row), "a reply left over from the one before", share)

    return Kind("leftover", history.units, [Measure(largest, said)])


def _alike(history: History) -> Ints:
    """int64[k]: equal for own rows whose bytes may be compared; -1 for those without any."""
    key = pl.concat_str(
        "read",
        pl.col("data").str.len_bytes(),
        pl.when("read").then(pl.lit("")).otherwise(pl.col("data").str.slice(0, 2)),
        separator="|",
    )
    codes = codes_of(history.own.select(key).to_series())
    empty = (history.own["data"].fill_null("") == "").to_numpy()
    return np.where(empty | (history.unit > history.units.last), -1, codes)


def _matrix(data: pl.Series, rows: Ints) -> npt.NDArray[np.uint8]:
    """uint8[len(rows), length]: bytes of rows of one length, the first 64 of each."""
    flat = np.frombuffer(bytes.fromhex("".join(data.gather(rows).to_list())), np.uint8)
    return flat.reshape(len(rows), -1)[:, :_MOST_PLACES]


def _rarest(values: npt.NDArray[np.uint8]) -> tuple[Floats, Ints]:
    """Of each row the score of its rarest byte, and where that is."""
    n, places = values.shape
    scores, place = np.zeros(n), np.zeros(n, np.int64)
    learned = n // 10
    for k in range(places):
        seen = seen_before(values[:, k].astype(np.uint8))  # uint8: numpy sorts it by radix
        if (seen[learned:] <= _RARE).mean() <= _VARIES:
            here = 1.0 / (1.0 + seen)
            place[here > scores] = k
            np.maximum(scores, here, out=scores)
    return scores, place


def _usual(values: npt.NDArray[np.uint8]) -> str:
    """The commonest values of a place."""
    counts = np.bincount(values, minlength=256)
    most = [k for k in np.argsort(-counts, kind="stable")[:3] if counts[k] > len(values) // 20]
    return ", ".join(f"{k:02X}" for k in most) or "others"

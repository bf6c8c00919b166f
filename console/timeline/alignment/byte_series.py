"""Counters in the bytes of transactions nobody described: what else of the wire may be printed.

A counter stands at one place of transactions of one shape (address, direction, length), as a byte
or as two bytes in either order. Readings are left to described packets: of three bytes in a row
that are no number of anything, too many come again.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.series import LEAST_EVENTS, Series, value_series
from decoders.buses.transactions import Transactions

Int64s = npt.NDArray[np.int64]

MOST_SHAPES = 8  # most frequent first
MOST_BYTES = 16  # of a transaction that are looked at


def byte_series(source: str, rows: Transactions) -> list[Series]:
    """The bytes, and pairs of bytes in either order, of transactions of one shape each.

    Args:
        source: name of the source.
        rows: the transactions of one bus; those whose address was not acknowledged are passed over.
    """
    length = np.diff(rows.first)
    seen = (rows.address >= 0) & rows.address_acked & (length > 0)
    shape = (rows.address.astype(np.int64) * 2 + rows.read) * 2**32 + length
    shapes, counts = np.unique(shape[seen], return_counts=True)
    found: list[Series] = []
    for k in np.argsort(-counts, kind="stable")[:MOST_SHAPES]:
        if counts[k] >= LEAST_EVENTS:
            at = np.flatnonzero(seen & (shape == shapes[k]))
            found += _places(source, rows, at, min(int(length[at[0]]), MOST_BYTES))
    return found


def _places(
    source: str, rows: Transactions, at: npt.NDArray[np.intp], count: int
) -> Iterator[Series]:
    """The numbers of transactions of one shape."""
    data = rows.data[rows.first[at][:, None] + np.arange(count)].astype(np.float64)
    end_ns = rows.end_ns[at]
    for k in range(count):
        yield from _counters(source, end_ns, at, data[:, k])
        if k + 1 < count:
            for high, low in ((k, k + 1), (k + 1, k)):
                word = 256 * data[:, high] + data[:, low]
                if np.ptp(data[:, high]):  # else the low byte says it all
                    yield from _counters(source, end_ns, at, word)


def _counters(
    source: str, end_ns: Int64s, at: npt.NDArray[np.intp], values: npt.NDArray[np.float64]
) -> Iterator[Series]:
    found = value_series(source, "", end_ns, at, values)
    return (series for series in found if series.kind == "counter")

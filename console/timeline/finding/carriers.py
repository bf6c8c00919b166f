"""Which packet each transaction is a part of: the packet's event stands for it on the timeline."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

NONE = -1


def carriers(tables: Mapping[str, pl.DataFrame]) -> npt.NDArray[np.int64]:
    """The packet that each transaction begins in.

    Args:
        tables: the tables of events by name.

    Returns:
        int64[n] rows of `packets` for the n transactions; NONE where it is in no packet.
    """
    transactions = tables["transactions"]
    packets = tables["packets"].select("bus", "start_ns", "end_ns").with_row_index("row")
    found = np.full(transactions.height, NONE, np.int64)
    for (bus,), own in packets.group_by("bus"):
        rows = np.flatnonzero((transactions["bus"] == bus).fill_null(False).to_numpy())
        start = transactions["start_ns"].to_numpy()[rows]
        own = own.sort("start_ns", maintain_order=True)
        begins, ends = own["start_ns"].to_numpy(), np.maximum.accumulate(own["end_ns"].to_numpy())
        at = np.searchsorted(begins, start, side="right") - 1
        inside = (at >= 0) & ((start == begins[at]) | (start < ends[at]))
        found[rows[inside]] = own["row"].to_numpy()[at[inside]]
    return found

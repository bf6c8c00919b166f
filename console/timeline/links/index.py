"""Links looked up by the event that is their effect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.timeline.events import EVENT_TABLES, Events

FEW = 32  # links of one moment that are faster looked at one by one
NO_ROW = (1 << 32) - 1  # of an effect that did not come


@dataclass(frozen=True, slots=True)
class Link:
    """The cause of an event."""

    table: str
    row: int
    party: int
    latency_ns: int
    by: str
    band_ns: int  # half-width within which the latency is known


class LinkIndex:
    """The links of a run by their effects; 4 bytes a link beside the table.

    The table is sorted by the time of the effect, which is the time of the event: what an event is
    the effect of stands among the few links of that moment.
    """

    def __init__(self, links: pl.DataFrame | None) -> None:
        self._links = links
        if links is None:
            self._to_ns, self._to_row = np.empty(0, np.int64), np.empty(0, np.uint32)
            return
        self._to_ns = links["to_ns"].to_numpy()
        self._to_row = links["to_row"].cast(pl.UInt32).fill_null(NO_ROW).to_numpy()

    def causes(self, events: Events, k: int) -> list[Link]:
        """What event k is the effect of; of an effect that did not come, what it was due to."""
        if self._links is None:
            return []
        table, row = EVENT_TABLES[int(events.table[k])], int(events.row[k])
        if table == "links":
            return [self._cause(row)]
        t_ns = int(events.t_ns[k])
        low, high = self._to_ns.searchsorted([t_ns, t_ns + 1]).tolist()
        if low == high:
            return []
        near = self._to_row[low:high]
        if len(near) > FEW:
            found = (np.flatnonzero(near == row) + low).tolist()
        else:
            found = [low + k for k, at in enumerate(near.tolist()) if at == row]
        named = self._links.get_column("to_table")
        return [self._cause(at) for at in found if named[at] == table]

    def _cause(self, row: int) -> Link:
        assert self._links is not None
        each = self._links.row(row, named=True)
        return Link(
            each["from_table"],
            int(each["from_row"]),
            int(each["from_party"]),
            int(each["latency_ns"] or 0),
            str(each["by"]),
            int(each["band_ns"] or 0),
        )

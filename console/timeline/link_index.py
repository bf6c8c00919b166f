"""Links looked up by the event at either end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.events import EVENT_TABLES, Events

Int64s = npt.NDArray[np.int64]
_ROWS = 1 << 32  # rows of one table, at most


@dataclass(frozen=True, slots=True)
class Link:
    """One end of a link, as seen from the other."""

    table: str
    row: int
    party: int  # of the other end
    latency_ns: int
    by: str
    band_ns: int  # half-width within which the latency is known


class LinkIndex:
    """The links of a run by their ends; 24 bytes a link beside the table."""

    def __init__(self, links: pl.DataFrame | None) -> None:
        self._links = links
        if links is None or not links.height:
            self._to = self._from = np.empty(0, np.int64)
            self._by_to = self._by_from = np.empty(0, np.uint32)
            return
        to, self._by_to = _sorted_keys(links, "to")
        cause, self._by_from = _sorted_keys(links, "from")
        self._to, self._from = to, cause

    def causes(self, events: Events, k: int) -> list[Link]:
        """What event k is the effect of; of an effect that did not come, what it was due to."""
        if self._links is not None and EVENT_TABLES[int(events.table[k])] == "links":
            return [self._end(int(events.row[k]), "from")]
        return [self._end(r, "from") for r in _found(self._to, self._by_to, _key(events, k))]

    def effects(self, events: Events, k: int) -> list[Link]:
        """What event k is the cause of."""
        found = _found(self._from, self._by_from, _key(events, k))
        return [self._end(r, "to") for r in found]

    def _end(self, row: int, end: str) -> Link:
        assert self._links is not None
        each = self._links.row(row, named=True)
        table, at = each[f"{end}_table"], each[f"{end}_row"]
        return Link(
            table,
            -1 if at is None else int(at),
            int(each[f"{end}_party"]),
            0 if each["latency_ns"] is None else int(each["latency_ns"]),
            str(each["by"]),
            0 if each["band_ns"] is None else int(each["band_ns"]),
        )


def _sorted_keys(links: pl.DataFrame, end: str) -> tuple[Int64s, npt.NDArray[np.uint32]]:
    names = {name: k for k, name in enumerate(EVENT_TABLES)}
    keys = links.select(
        key=pl.col(f"{end}_table").replace_strict(names, default=None, return_dtype=pl.Int64)
        * _ROWS
        + pl.col(f"{end}_row")
    )["key"].fill_null(-1)
    order = keys.arg_sort().to_numpy().astype(np.uint32)
    return keys.to_numpy()[order], order


def _key(events: Events, k: int) -> int:
    return int(events.table[k]) * _ROWS + int(events.row[k])


def _found(keys: Int64s, rows: npt.NDArray[np.uint32], key: int) -> list[int]:
    low, high = np.searchsorted(keys, [key, key + 1])
    found: list[int] = rows[low:high].tolist()
    return found

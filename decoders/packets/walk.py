"""Where every field of many rows lies: one cursor a row moves through the parts of a layout.

The rules are those of `layout`. Fixed stretches are cut out on the way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.packets.gather import Bytes, Column, Mask, Places, cut_stretches, integers
from decoders.packets.layout import Fixed, Layout, Varying

_MOST = 1 << 40  # larger sizes are cut to this: no row is so long, and sums stay in 64 bits


@dataclass(slots=True)
class Walk:
    """Where every field of n rows lies."""

    begin: list[Places]  # by ordinal: [n] first byte
    end: list[Places]  # by ordinal: [n] one behind the last byte
    stretches: list[Bytes | None]  # by part: [n, size] of a fixed part
    complete: npt.NDArray[np.int64]  # [n] fields wholly there
    after: Places  # [n] one behind the last byte of the last field
    over: dict[int, Places]  # ordinal of a repeat -> rows with bytes over

    def has(self, ordinal: int) -> Mask | None:
        """Rows that have the whole field, or None for all of them."""
        have: Mask = self.complete > ordinal
        return None if have.all() else have


def walk(layout: Layout, data: Bytes, begin: Places, end: Places) -> Walk:
    """Find every field of rows `data[begin[i] : end[i]]` (int64[n] each)."""
    rows, count = len(begin), len(layout.fields)
    found = Walk([], [], [], np.full(rows, count, np.int64), begin.copy(), {})
    end = end.copy()  # moved up to the cursor where a row is short: nothing fits any more
    closing: dict[int, Places] = {}
    for part in layout.parts:
        if isinstance(part, Fixed):
            _walk_fixed(part, data, found, end, count)
        else:
            _walk_varying(layout, part, data, found, end, closing)
    return found


def _walk_fixed(part: Fixed, data: Bytes, found: Walk, end: Places, count: int) -> None:
    at = found.after
    room = end - at
    short = np.flatnonzero((room < part.size) & (found.complete == count))
    if len(short):
        ends = np.array([leaf.at + leaf.size for leaf in part.leaves])
        found.complete[short] = part.leaves[0].ordinal + np.searchsorted(ends, room[short], "right")
    cut = cut_stretches(data, at, end, part.size)
    found.stretches.append(cut)
    for leaf in part.leaves:
        found.begin.append(at + leaf.at)
        found.end.append(found.begin[-1] + leaf.size)
    alive = found.complete == count
    found.after = np.where(alive, at + part.size, at)
    end[~alive] = at[~alive]


def _walk_varying(
    layout: Layout, part: Varying, data: Bytes, found: Walk, end: Places, closing: dict[int, Places]
) -> None:
    count = len(layout.fields)
    at = found.after
    room = end - at
    alive = found.complete == count
    size, step = _size(layout, part, data, found, at, room, closing)
    taken = np.where(alive, np.minimum(size, room), 0)
    short = alive & (size + step > room)
    found.complete[short] = part.ordinal
    found.stretches.append(None)
    found.begin.append(at)
    found.end.append(at + taken)
    if part.items is not None:
        over = alive & ~short & (size % max(part.items.size, 1) != 0)
        found.over[part.ordinal] = np.flatnonzero(over)
    alive &= ~short
    found.after = np.where(alive, at + size + step, at)
    end[~alive] = found.after[~alive]


def _size(
    layout: Layout,
    part: Varying,
    data: Bytes,
    found: Walk,
    at: Places,
    room: Places,
    closing: dict[int, Places],
) -> tuple[Places, int]:
    """The size of a varying field in each row, and how many closing bytes follow it."""
    if part.size is not None:
        return np.full(len(at), part.size, np.int64), 0
    if part.until is not None:
        if part.until not in closing:
            closing[part.until] = np.append(np.flatnonzero(data == part.until), _MOST)
        marks = closing[part.until]
        return marks[np.searchsorted(marks, at)] - at, 1
    unit = 1
    if part.length_by is not None:
        driver = part.length_by
    elif part.count_by is not None and part.items is not None:
        driver, unit = part.count_by, part.items.size
    else:
        return np.maximum(room - part.tail, 0), 0
    value = _raw(layout, found, driver.ordinal)
    told = np.minimum(value, np.array(_MOST).astype(value.dtype)) if value.itemsize == 8 else value
    return np.maximum((told.astype(np.int64) - driver.minus) * unit, 0), 0


def _raw(layout: Layout, found: Walk, ordinal: int) -> Column:
    """The integer field of an ordinal, as sent."""
    for part, cut in zip(layout.parts, found.stretches, strict=False):
        if isinstance(part, Fixed) and cut is not None:
            for leaf in part.leaves:
                if leaf.ordinal == ordinal:
                    return integers(cut, leaf)
    raise ValueError(f"field {ordinal} is no integer before what it measures")

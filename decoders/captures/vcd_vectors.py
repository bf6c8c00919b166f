"""Vector and real changes among the lines that are taken by columns: `b0101 code`, `r1.5 code`.

Of a vector only the digits that are lines are looked at; reals, strings and other nets are passed
over. A line that has anything odd is left to the careful way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Levels
from decoders.captures.vcd_tables import CHANNEL, IGNORED, WIDE, Bytes, Tables

Places = npt.NDArray[np.intp]

_BLANK = 0x20
_KINDS = np.zeros(256, np.uint8)
_KINDS[list(b"bB")] = IGNORED | WIDE
_KINDS[list(b"rRsS")] = IGNORED


@dataclass(frozen=True, slots=True, eq=False)
class VectorLines:
    """What k lines change; a line that cannot be read here has no meaning but its False."""

    readable: npt.NDArray[np.bool_]  # [k]
    mask: Levels  # [k] channels that the line gives a level
    want: Levels  # [k] those of them that become high


def vector_lines(
    text: Bytes, starts: Places, ends: Places, blanks: npt.NDArray[np.int32], tables: Tables
) -> VectorLines:
    """Read lines `value code`.

    Args:
        text: the bytes.
        starts: [k] where the lines begin.
        ends: [k] their line feeds.
        blanks: [k] bytes of each line that are white space, its line feed included.
        tables: of short codes (`packed`).
    """
    last = text.take(ends - 1).astype(np.intp)
    short = text.take(ends - 2) == _BLANK
    codes = np.where(short, last, text.take(ends - 2) | last << 8)
    blank = ends - np.where(short, 2, 3)
    readable = (tables.vector_class.take(codes) & _KINDS.take(text.take(starts))) != 0
    # One blank, and that one before the code; at least one digit.
    readable &= (blanks == 2) & (text.take(blank) == _BLANK) & (blank > starts + 1)
    mask, want = np.zeros((2, len(starts)), tables.mask.dtype)
    for code, bits in tables.wide.items():
        at = np.flatnonzero((codes == code) & readable)
        if len(at):
            mask[at] = tables.mask[code]
            want[at], known = _levels(text, starts[at] + 1, blank[at], bits, tables)
            readable[at] = known
    return VectorLines(readable, mask, want)


def _levels(
    text: Bytes, begins: Places, ends: Places, bits: list[tuple[int, int]], tables: Tables
) -> tuple[Levels, npt.NDArray[np.bool_]]:
    """Channels that become high, and whether the levels of all are known."""
    want = np.zeros(len(begins), tables.mask.dtype)
    known = np.ones(len(begins), np.bool_)
    for channel, place in bits:
        at = ends - 1 - place
        value = text.take(np.maximum(at, begins))
        # Left extension (IEEE 1364-2005 section 18.2.2): 0 and 1 by 0, z by z.
        filled = (at < begins) & (value == 0x31)
        high = tables.level.take(value) & tables.level.dtype.type(channel)
        want |= np.where(filled, 0, high)
        known &= (tables.value_class.take(value) & CHANNEL) != 0
    return want, known

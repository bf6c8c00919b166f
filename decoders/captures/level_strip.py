"""One line of a capture as a strip of columns: low, high, or what it did in each."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Edges

STRIP = ("low", "high", "falls", "rises", "both", "not observed")  # code -> word
LOW, HIGH, FALLS, RISES, BOTH, UNSEEN = range(len(STRIP))  # both: two edges or more


def level_strip(
    edges: Edges, line_bit: int, begin_ns: int, end_ns: int, columns: int
) -> npt.NDArray[np.uint8]:
    """A line from `begin_ns` to `end_ns`, both included, in columns of equal time.

    Args:
        edges: of one observed stretch; row 0 states the levels at its beginning.
        line_bit: bit number of the line in the level words.
        begin_ns: where the first column begins.
        end_ns: where the last one ends.
        columns: how many, 0 or more.

    Returns:
        uint8[columns], index into STRIP.

    Raises:
        ValueError: if the time ends before it begins, or there are less than no columns.
    """
    if end_ns < begin_ns or columns < 0:
        raise ValueError(f"no strip of {columns} columns from {begin_ns} to {end_ns} ns")
    length_ns = end_ns + 1 - begin_ns
    # Whole parts and rests apart: ns times columns may need more than 63 bits.
    whole, rest = divmod(length_ns, max(columns, 1))
    numbers = np.arange(columns + 1, dtype=np.int64)
    return levels_between(
        edges, line_bit, begin_ns + numbers * whole + numbers * rest // max(columns, 1)
    )


def levels_between(
    edges: Edges, line_bit: int, bounds_ns: npt.NDArray[np.int64]
) -> npt.NDArray[np.uint8]:
    """A line in columns of any times; an edge at a bound is in the column that begins there.

    Args:
        edges: as for `level_strip`.
        line_bit: likewise.
        bounds_ns: int64[c + 1], never falls: column k is from its bound up to the next.

    Returns:
        uint8[c], index into STRIP.
    """
    columns = max(len(bounds_ns) - 1, 0)
    if not len(edges.t_ns):
        return np.full(columns, UNSEEN, np.uint8)
    kind = edges.levels.dtype.type
    level = (edges.levels >> kind(line_bit) & kind(1)).astype(np.uint8)
    changes_ns = edges.t_ns[1:][level[1:] != level[:-1]]
    before = changes_ns.searchsorted(bounds_ns)  # changes before each bound
    inside = np.diff(before)
    at_begin = level[0] ^ (before[:-1] & 1).astype(np.uint8)
    strip = np.where(inside == 0, at_begin, np.where(at_begin == 1, FALLS, RISES)).astype(np.uint8)
    strip[inside > 1] = BOTH
    begins, ends = bounds_ns[:-1], bounds_ns[1:]
    first_ns = edges.t_ns[0]
    strip[(begins > edges.until_ns) | ((begins < first_ns) & (ends <= first_ns))] = UNSEEN
    return strip

"""Look-up tables from identifier codes and value characters to level words."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Levels
from decoders.captures.vcd_changes import LEVELS, ChangeReader

LONGEST_CODE = 7  # bytes that fit one 64-bit key with its value character before
CHANNEL, IGNORED, WIDE = 1, 2, 4  # bits of the classes below

Bytes = npt.NDArray[np.uint8]

# Keeps the first k bytes of a little-endian word, k = 0..7.
_FIRST = np.array([(1 << 8 * k) - 1 for k in range(LONGEST_CODE + 1)], np.uint64)


class Tables:
    """What the changes mean, for codes and values looked up by column.

    A scalar change can be taken by columns when `code_class & value_class` is not 0. Lines that
    are unknown now and values not told of yet are for the careful way, as are scalar changes of
    nets wider than a bit. `vector_class` has IGNORED or WIDE for vector changes.
    """

    def __init__(
        self, changes: ChangeReader, unknown: int, dtype: np.dtype[np.unsignedinteger[Any]]
    ) -> None:
        """Build the tables.

        Args:
            changes: knows codes, sizes, and the values that have a level.
            unknown: channels that are x now.
            dtype: of a level word.
        """
        codes = [code for code in changes.sizes if len(code) <= LONGEST_CODE]
        self.longest = max(map(len, codes), default=0)
        self.packed = self.longest <= 2  # codes index the tables themselves
        keys = np.array([int.from_bytes(code, "little") for code in codes], np.uint64)
        order = np.argsort(keys)
        self.keys = keys[order]
        size = 1 << 16 if self.packed else len(codes) + 1  # the last: no such code
        self.mask: Levels = np.zeros(size, dtype)
        self.code_class: Bytes = np.zeros(size, np.uint8)
        self.vector_class: Bytes = np.zeros(size, np.uint8)
        self.wide: dict[int, list[tuple[int, int]]] = {}  # place in the tables -> bits of the net
        for place, k in enumerate(order):
            code = codes[k]
            at = int(keys[k]) if self.packed else place
            self._fill(at, code, changes, unknown)
        full = int(np.iinfo(dtype).max)
        self.level: Levels = np.zeros(256, dtype)
        self.value_class: Bytes = np.zeros(256, np.uint8)
        self.value_class[list(LEVELS)] = IGNORED
        for value, level in changes.meanings.items():
            self.level[value] = full if level else 0
            self.value_class[value] = IGNORED | CHANNEL
        self._pair_tables(dtype)

    def _fill(self, at: int, code: bytes, changes: ChangeReader, unknown: int) -> None:
        channels = changes.bits.get(code)
        if channels is None:
            self.code_class[at] = self.vector_class[at] = IGNORED
            return
        mask = sum(bit for bit, _ in channels)
        self.mask[at] = mask
        if not mask & unknown:
            self.code_class[at] = CHANNEL if changes.sizes[code] == 1 else 0
            self.vector_class[at] = WIDE
            self.wide[at] = channels

    def _pair_tables(self, dtype: np.dtype[np.unsignedinteger[Any]]) -> None:
        """Tables over (value, one-byte code) as one 16-bit number, value in the low byte."""
        self.pair_mask: Levels = np.zeros(1 << 16, dtype)
        self.pair_want: Levels = np.ones(1 << 16, dtype)  # with mask 0 never true: not by columns
        for code in range(256) if self.packed else ():
            good = (self.code_class[code] & self.value_class) != 0
            row = slice(code << 8, (code + 1) << 8)
            self.pair_mask[row][good] = self.mask[code]
            self.pair_want[row][good] = (self.mask[code] & self.level)[good]

    def places(
        self, text: Bytes, starts: npt.NDArray[np.intp], lengths: npt.NDArray[np.intp]
    ) -> npt.NDArray[np.intp]:
        """Where in the tables the code of each line is, the line being one scalar change.

        Args:
            text: at least LONGEST_CODE bytes follow every start.
            starts: where each line begins, at its value character.
            lengths: of the lines, without their line feeds.
        """
        if self.packed:
            places = text.take(starts + 1).astype(np.intp)
            if self.longest == 2:
                second = text.take(starts + 2).astype(np.intp)
                second *= lengths == 3
                places |= second << 8
            return places
        sliding = np.ndarray((len(text) - 7,), "<u8", text, strides=(1,))
        keys = sliding[starts] >> np.uint64(8)
        keys &= _FIRST[np.clip(lengths - 1, 0, LONGEST_CODE)]
        places = np.searchsorted(self.keys, keys)
        places[self.keys.take(places, mode="clip") != keys] = len(self.keys)
        return places

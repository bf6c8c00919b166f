"""The words of a serial peripheral bus (SPI) as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

NOBODY = 255  # device of clocks that came while none was selected

# Bit of `problems` -> word. Append only: stored runs hold the bits.
PROBLEMS = (
    "cut",  # the select, or a pause where there is none, ended before the word had all its bits
    "unsynced",  # observation began while the device was selected: words may begin elsewhere
    "not-observed",  # observation ended inside it
    "unselected",  # clock edges while no device was selected
    "select-glitch",  # a select, or the deselect before it, shorter than the limit
    "no-clock",  # selected, and not one bit was clocked
    "several-selected",  # another device was selected at the same time
    "idle-level",  # the clock stood at the other level than the mode's when it was selected
)


def problem_bit(word: str) -> int:
    """The value of one problem's bit in `SpiWords.problems`.

    Raises:
        ValueError: if there is no such word.
    """
    return 1 << PROBLEMS.index(word)


@dataclass(frozen=True, slots=True, eq=False)
class SpiWords:
    """Words in the order in which they end; every column has n rows, n may be 0.

    A row without bits is a select without a clock. `bits` of a row that is `unselected` counts the
    clocks of that stretch, and its data are 0.
    """

    start_ns: npt.NDArray[np.int64]  # [n] leading edge of the first bit; start of an empty select
    # [n] the last bit was sampled; the end of the select where that cut the word
    end_ns: npt.NDArray[np.int64]
    device: npt.NDArray[np.uint8]  # [n] index of the select, or NOBODY
    mosi: npt.NDArray[np.uint32]  # [n] of a line that is not observed 0
    miso: npt.NDArray[np.uint32]
    bits: npt.NDArray[np.int64]  # [n] that were sampled: the word length unless it is cut
    problems: npt.NDArray[np.uint16]  # [n] bit k set = PROBLEMS[k]

    def __len__(self) -> int:
        return len(self.start_ns)


def spi_words(
    start_ns: npt.ArrayLike,
    end_ns: npt.ArrayLike,
    device: int,
    data: tuple[npt.ArrayLike, npt.ArrayLike],
    bits: npt.ArrayLike,
    problems: npt.ArrayLike,
) -> SpiWords:
    """A table of one device; what is one value for all rows may be given as that.

    Args:
        start_ns: int64[n].
        end_ns: int64[n].
        device: of all rows.
        data: MOSI and MISO.
        bits: of each word.
        problems: of each word.
    """
    start = np.asarray(start_ns, np.int64)
    n = len(start)
    mosi, miso = (np.broadcast_to(np.asarray(each, np.uint32), n) for each in data)
    return SpiWords(
        start,
        np.asarray(end_ns, np.int64),
        np.full(n, device, np.uint8),
        mosi,
        miso,
        np.broadcast_to(np.asarray(bits, np.int64), n),
        np.broadcast_to(np.asarray(problems, np.uint16), n),
    )


def no_words() -> SpiWords:
    """A table of no rows."""
    return spi_words((), (), 0, ((), ()), (), ())


def concatenated(parts: Sequence[SpiWords]) -> SpiWords:
    """Several tables as one, in the order given."""
    tables = [part for part in parts if len(part)]
    if not tables:
        return no_words()
    if len(tables) == 1:
        return tables[0]
    return SpiWords(
        *(np.concatenate([getattr(part, c.name) for part in tables]) for c in fields(SpiWords))
    )


def by_end(table: SpiWords) -> SpiWords:
    """The rows in the order in which they end, of equal ends the earlier start first."""
    if (table.end_ns[1:] > table.end_ns[:-1]).all():  # as of one device, all of whose words ended
        return table
    order = np.lexsort((table.start_ns, table.end_ns))
    return SpiWords(*(getattr(table, c.name).take(order) for c in fields(SpiWords)))

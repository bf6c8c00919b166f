"""How a serial peripheral bus is read: its lines, its mode, and bits to words.

| mode | CPOL (idle level) | CPHA | leading edge     | trailing edge    |
|------|-------------------|------|------------------|------------------|
| 0    | 0                 | 0    | rising: sample   | falling: shift   |
| 1    | 0                 | 1    | rising: shift    | falling: sample  |
| 2    | 1                 | 0    | falling: sample  | rising: shift    |
| 3    | 1                 | 1    | falling: shift   | rising: sample   |

The table stands in the data sheets of many parts ("SPI Transfer Modes", "Data Modes"); it goes back
to the block guide in which the bus was first described. There is no standard, no address and no
acknowledge: what a word means, how long it is and which bit comes first is the device's own matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

LEAST_BITS, MOST_BITS = 4, 32


@dataclass(frozen=True, slots=True)
class Select:
    """The line that selects one device."""

    line: int  # bit number in `Edges.levels`
    active_high: bool = False


@dataclass(frozen=True, slots=True)
class SpiLines:
    """Bit numbers of the lines in `Edges.levels`; at least one of MOSI and MISO.

    Raises:
        ValueError: if there is no such bit, no data line, or one line has two roles.
    """

    sck: int
    mosi: int | None
    miso: int | None
    selects: tuple[Select, ...] = ()  # none: words are told apart by pauses

    def __post_init__(self) -> None:
        used = self.every
        if any(not 0 <= line < 64 for line in used):
            raise ValueError(f"lines are {used}, not all 0 to 63")
        if len(set(used)) < len(used):
            raise ValueError(f"lines are {used}: one has two roles")
        if self.mosi is None and self.miso is None:
            raise ValueError("there is neither MOSI nor MISO")

    @property
    def every(self) -> tuple[int, ...]:
        """All of them."""
        data = [line for line in (self.mosi, self.miso) if line is not None]
        return (self.sck, *data, *(select.line for select in self.selects))


@dataclass(frozen=True, slots=True)
class SpiFormat:
    """Mode, word length and bit order.

    Raises:
        ValueError: if there is no such mode, or words of that length are not read.
    """

    mode: int = 0
    word_bits: int = 8
    lsb_first: bool = False

    def __post_init__(self) -> None:
        if self.mode not in (0, 1, 2, 3):
            raise ValueError(f"mode is {self.mode}, not 0 to 3")
        if not LEAST_BITS <= self.word_bits <= MOST_BITS:
            raise ValueError(f"word_bits is {self.word_bits}, not {LEAST_BITS} to {MOST_BITS}")

    def __str__(self) -> str:
        order = "least" if self.lsb_first else "most"
        return f"mode {self.mode}, {self.word_bits} bits a word, {order} significant first"

    @property
    def idles_high(self) -> bool:
        """CPOL."""
        return self.mode >= 2

    @property
    def samples_trailing(self) -> bool:
        """CPHA."""
        return self.mode % 2 == 1

    @property
    def samples_rising(self) -> bool:
        """Whether data are sampled on rising edges: modes 0 and 3."""
        return self.mode in (0, 3)


def packed(bits: npt.NDArray[np.bool_], *, lsb_first: bool) -> npt.NDArray[np.uint32]:
    """Words of bits as numbers.

    Args:
        bits: bool[n, w] in the order in which they were sampled; w from 1 to 32.
        lsb_first: whether the first one is the least significant.

    Returns:
        uint32[n].
    """
    n, w = bits.shape
    room = 8 if w <= 8 else 16 if w <= 16 else 32
    if w < room:
        padded = np.zeros((n, room), np.bool_)
        at = slice(0, w) if lsb_first else slice(room - w, room)
        padded[:, at] = bits
        bits = padded
    octets = np.packbits(bits.reshape(-1), bitorder="little" if lsb_first else "big")
    return octets.view(f"{'<' if lsb_first else '>'}u{room // 8}").astype(np.uint32)

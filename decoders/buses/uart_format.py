"""The frame of an asynchronous serial line: which bits, and when a receiver looks at them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from decoders.buses.serial_bytes import problem_bit

Parity = Literal["none", "even", "odd", "mark", "space"]

_PARITIES = get_args(Parity)
_FRAMING, _PARITY = problem_bit("framing"), problem_bit("parity")
_LETTERS = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}


@dataclass(frozen=True, slots=True)
class UartFormat:
    """Start bit, data bits (least significant first), parity bit if any, stop bits.

    Raises:
        ValueError: if there is no such format.
    """

    data_bits: int = 8  # 5..9
    parity: Parity = "none"
    stop_bits: float = 1  # 1, 1.5 or 2

    def __post_init__(self) -> None:
        if not 5 <= self.data_bits <= 9:
            raise ValueError(f"data_bits is {self.data_bits}, not 5 to 9")
        if self.parity not in _PARITIES:
            raise ValueError(f"parity is {self.parity!r}, not one of {', '.join(_PARITIES)}")
        if self.stop_bits not in (1, 1.5, 2):
            raise ValueError(f"stop_bits is {self.stop_bits}, not 1, 1.5 or 2")

    def __str__(self) -> str:
        return f"{self.data_bits}{_LETTERS[self.parity]}{self.stop_bits:g}"

    @property
    def samples(self) -> int:
        """How many bits are looked at after the start bit: data, parity and the first stop bit."""
        return self.data_bits + (self.parity != "none") + 1

    @property
    def frame_bits(self) -> float:
        """Bit times from the start edge to the end of the last stop bit: 10 for 8N1."""
        return self.samples + self.stop_bits

    def meanings(self) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.uint16]]:
        """What each word of samples means; bit j of a word is sample j.

        Returns:
            int16[2^samples] the value of the data bits, uint16[2^samples] problems.
        """
        words = np.arange(1 << self.samples, dtype=np.uint16)
        value = words & np.uint16((1 << self.data_bits) - 1)
        stop = words >> (self.samples - 1)
        problems = np.where(stop == 1, 0, _FRAMING)
        if self.parity != "none":
            parity_bit = words >> self.data_bits & 1
            ones = np.bitwise_count(value) & 1
            expected = {"even": ones, "odd": 1 - ones, "mark": 1, "space": 0}[self.parity]
            problems = problems | np.where(parity_bit == expected, 0, _PARITY)
        return value.astype(np.int16), problems.astype(np.uint16)


def bearable_percent(frame: UartFormat) -> tuple[float, float]:
    """By how much a sender may be slow and fast for a usual receiver to read its bytes.

    The receiver takes 16 samples a bit and decides by the middle three; what is told is for both
    ends together. Source: Microchip ATmega8A data sheet, "Asynchronous Operational Range".

    Returns:
        Below 0 and above 0: -4.64 and +4.58 for 8N1.
    """
    d, s, first, middle = frame.samples - 1, 16, 8, 9
    slow = (d + 1) * s / (s - 1 + d * s + first)
    fast = (d + 2) * s / ((d + 1) * s + middle)
    return (slow - 1) * 100, (fast - 1) * 100


class SampleClock:
    """When samples are taken after a start edge: sample j in the middle of its bit, at j + 1.5.

    A sample sees edges before it, not at it.

    Args:
        frame: the format of a byte.
        baud: bits a second.

    Raises:
        ValueError: if a bit is shorter than 2 ns or longer than 10 s.
    """

    def __init__(self, frame: UartFormat, baud: float) -> None:
        if not 0.1 <= baud <= 500e6:
            raise ValueError(f"baud is {baud}, not 0.1 to 500000000")
        self.bit_ns = 1e9 / baud
        self.bits_per_ns = baud / 1e9
        self.samples = frame.samples
        self.half_ns = math.ceil(self.bit_ns / 2)  # a start bit ends no earlier
        self.stop_ns = self._first_after(self.samples)  # an edge from here on is of the next byte
        last_stop = frame.frame_bits - 0.5
        self.last_stop_ns = max(self.stop_ns, math.ceil(last_stop * self.bit_ns))
        self.frame_ns = max(self.stop_ns, round(frame.frame_bits * self.bit_ns))

    def seen_from(self, after_start_ns: npt.NDArray[np.float64]) -> npt.NDArray[np.int32]:
        """The first sample that sees each edge; `samples` when none does.

        Args:
            after_start_ns: float64[n] whole ns after the start edge, >= 0; is overwritten.
        """
        after_start_ns *= self.bits_per_ns
        after_start_ns -= 0.5
        np.minimum(after_start_ns, self.samples, out=after_start_ns)
        return after_start_ns.astype(np.int32)

    def _first_after(self, samples: int) -> int:
        """The earliest edge that this many samples do not see, as `seen_from` has it."""
        guess = math.ceil((samples + 0.5) * self.bit_ns)
        while (guess - 1) * self.bits_per_ns - 0.5 >= samples:
            guess -= 1
        while guess * self.bits_per_ns - 0.5 < samples:
            guess += 1
        return guess

"""Clocks: exact whole-number maps from true time to the time a source believes in.

A clock is made of pieces, each a straight line, so that a step (a set clock), a changed rate or a
restart is one more piece. Everything is integer arithmetic: the same ns on every machine.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
import numpy.typing as npt

GIGA = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Piece:
    """From true time `from_ns` on: native = native_ns + (true - from_ns) * (1 + rate_ppb / 1e9)."""

    from_ns: int
    native_ns: int
    rate_ppb: int

    def native(self, true_ns: int) -> int:
        """Native time, rounded down."""
        past = true_ns - self.from_ns
        return self.native_ns + past + past * self.rate_ppb // GIGA


@dataclass(slots=True)
class Clock:
    """One source's clock.

    Args:
        name: whose it is.
        native_ns: what it shows at true time 0.
        rate_ppb: how much too fast it is, in parts per billion (1 ppm = 1000).
        quantum_ns: its readings are whole multiples of this, rounded down.
    """

    name: str
    native_ns: int = 0
    rate_ppb: int = 0
    quantum_ns: int = 1
    pieces: list[Piece] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.pieces = self.pieces or [Piece(0, self.native_ns, self.rate_ppb)]

    def change(self, at_ns: int, *, step_ns: int = 0, rate_ppb: int | None = None) -> None:
        """From true time at_ns on: jump by step_ns, and go at another rate.

        Raises:
            ValueError: if `at_ns` is not after the last change.
        """
        last = self.pieces[-1]
        if at_ns <= last.from_ns:
            raise ValueError(f"{at_ns} ns is not after the last change, {last.from_ns} ns")
        rate = last.rate_ppb if rate_ppb is None else rate_ppb
        self.pieces.append(Piece(at_ns, last.native(at_ns) + step_ns, rate))

    def exact(self, true_ns: int) -> int:
        """What it would show at a true time, were its readings fine enough."""
        at = bisect_right(self.pieces, true_ns, key=lambda piece: piece.from_ns) - 1
        return self.pieces[max(at, 0)].native(true_ns)

    def read(self, true_ns: int) -> int:
        """What it shows at a true time."""
        return self.exact(true_ns) // self.quantum_ns * self.quantum_ns

    def exact_many(self, true_ns: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """`exact` of a column in rising order; int64[n]."""
        starts = np.array([piece.from_ns for piece in self.pieces[1:]], np.int64)
        cuts = [0, *np.searchsorted(true_ns, starts).tolist(), len(true_ns)]
        parts = []
        for piece, first, last in zip(self.pieces, cuts[:-1], cuts[1:], strict=True):
            past = true_ns[first:last] - piece.from_ns
            # past * ppb needs more than 63 bits for hours: whole seconds and the rest apart
            seconds, rest = np.divmod(past, GIGA)
            drift = seconds * piece.rate_ppb + rest * piece.rate_ppb // GIGA
            parts.append(piece.native_ns + past + drift)
        return np.concatenate(parts)

    def true(self, native_ns: int) -> int:
        """First true time at which it shows native_ns or more; only on its last piece."""
        piece = self.pieces[-1]
        guess = piece.from_ns + (native_ns - piece.native_ns) * GIGA // (GIGA + piece.rate_ppb)
        while piece.native(guess) < native_ns:
            guess += 1
        while piece.native(guess - 1) >= native_ns:
            guess -= 1
        return guess


@dataclass(frozen=True, slots=True)
class ClockTruth:
    """How one piece of a clock maps to the common clock, exactly.

    common = native + offset + drift * native, and at the piece's first reading
    `at_native_ns` the common clock shows `at_common_ns`.
    """

    source: str
    clock: str
    at_native_ns: int
    at_common_ns: int
    drift: Fraction

    @property
    def drift_ppm(self) -> float:
        """The drift in parts per million."""
        return float(self.drift * 1_000_000)

    @property
    def offset_ns(self) -> int:
        """The offset of the formula above, to the nearest ns."""
        return round(self.at_common_ns - self.at_native_ns * (1 + self.drift))

    def common_ns(self, native_ns: int) -> int:
        """The common clock's reading at a native one, to the nearest ns."""
        return self.at_common_ns + round((native_ns - self.at_native_ns) * (1 + self.drift))


def maps_to(clock: Clock, common: Clock, source: str) -> list[ClockTruth]:
    """How a clock's readings map to those of the common one, a row for each piece.

    The common clock must have one piece.
    """
    base = common.pieces[0]
    return [
        ClockTruth(
            source,
            clock.name,
            piece.native_ns,
            base.native(piece.from_ns),
            Fraction(GIGA + base.rate_ppb, GIGA + piece.rate_ppb) - 1,
        )
        for piece in clock.pieces
    ]

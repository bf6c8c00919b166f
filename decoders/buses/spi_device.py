"""The words of one device of a serial peripheral bus: bits and the spans it was selected, a fold.

Spans are stretches of bits in which the device was selected, without a break; where there is no
select, stretches between pauses. Words are counted from the beginning of a span. What the end of a
span leaves is a cut word.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.spi_clocks import Bits, Rows, Times, no_bits
from decoders.buses.spi_format import SpiFormat, packed
from decoders.buses.spi_words import SpiWords, concatenated, problem_bit, spi_words

Problems = npt.NDArray[np.uint16]

_CUT, _UNSYNCED = problem_bit("cut"), problem_bit("unsynced")
_NOT_OBSERVED, _NO_CLOCK = problem_bit("not-observed"), problem_bit("no-clock")
_GLITCH, _SEVERAL = problem_bit("select-glitch"), problem_bit("several-selected")


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """s spans of a block in time order; all but the last are over, and that may be too."""

    first: Rows  # [s] the first bit of each among the block's
    end: Rows  # [s] one past its last
    begin_ns: Times  # [s]
    over_ns: Times  # [s] when it was over; of a last one that lasts, anything
    problems: Problems  # [s] of all its words
    continues: bool  # the first one began before the block
    lasts: bool  # the last one is not over


@dataclass(slots=True)
class _Open:
    """A span that lasts."""

    begin_ns: int
    problems: int
    had_bits: bool
    bits: Bits  # of the word that is not whole


class DeviceWords:
    """Words of one device.

    Args:
        device: its number in the table.
        form: how words are read.
        glitch_ns: a select shorter than this and without a clock is a glitch.
        tells_empty: whether spans without bits are rows: those of selects are.
    """

    def __init__(self, device: int, form: SpiFormat, glitch_ns: int, *, tells_empty: bool) -> None:
        self._device, self._form, self._glitch_ns = device, form, glitch_ns
        self._tells_empty = tells_empty
        self._open: _Open | None = None

    @property
    def is_open(self) -> bool:
        """Whether a span lasts."""
        return self._open is not None

    def begin(self, begin_ns: int, *, selected: bool) -> None:
        """Begin an observed stretch; a device that is selected by then is not in step."""
        self._open = _Open(begin_ns, _UNSYNCED, False, no_bits()) if selected else None

    def end(self, until_ns: int) -> SpiWords:
        """The rest of an observed stretch."""
        span, self._open = self._open, None
        if span is None or not len(span.bits):
            return concatenated(())
        problems = np.array([span.problems | _NOT_OBSERVED])
        at, begin_ns = np.zeros(1, np.intp), np.array([span.begin_ns], np.int64)
        return self._words(span.bits, at, len(span.bits), problems, (begin_ns, [until_ns]))

    def take(self, bits: Bits, spans: Spans) -> SpiWords:
        """The words of a block.

        Args:
            bits: all bits of the block.
            spans: of this device; at least one.
        """
        carried = self._open if spans.continues else None
        low, high = int(spans.first[0]), int(spans.end[-1])
        before = carried.bits if carried else no_bits()
        own = before.before(bits.part(low, high))
        first = spans.first - low + len(before)
        end = spans.end - low + len(before)
        begin_ns, problems = spans.begin_ns, spans.problems.copy()
        had_bits = end > first
        if carried:
            first[0] = 0
            problems[0] = carried.problems
            begin_ns = begin_ns.copy()
            begin_ns[0] = carried.begin_ns
            had_bits[0] |= carried.had_bits
        count = (end - first) // self._form.word_bits
        rest = (end - first) - count * self._form.word_bits
        parts = [self._whole(own, first, count, rest, problems, begin_ns)]
        is_over = np.ones(len(first), np.bool_)
        is_over[-1] = not spans.lasts
        parts += self._cut(own, end, rest * is_over, problems, (begin_ns, spans.over_ns))
        if self._tells_empty:
            parts.append(self._empty(is_over & ~had_bits, begin_ns, spans.over_ns, problems))
        self._open = None
        if spans.lasts:
            left = own.part(int(end[-1] - rest[-1]), int(end[-1])).kept()
            self._open = _Open(int(begin_ns[-1]), int(problems[-1]), bool(had_bits[-1]), left)
        return concatenated(parts)

    def _whole(
        self,
        own: Bits,
        first: Rows,
        count: Rows,
        rest: Rows,
        problems: Problems,
        begin_ns: Times,
    ) -> SpiWords:
        """Words with all their bits: `count` from `first` on in each span."""
        w, total = self._form.word_bits, int(count.sum())
        if not total:
            return concatenated(())
        span = np.repeat(np.arange(len(count)), count)
        within = np.arange(total) - np.repeat(count.cumsum() - count, count)
        at = first.take(span) + w * within
        if not rest[:-1].any() and (np.diff(at) == w).all():  # end to end: no copy of the bits
            chosen: slice | Rows = slice(int(at[0]), int(at[0]) + w * total)
        else:
            chosen = (at[:, None] + np.arange(w)).reshape(-1)
        return spi_words(
            np.maximum(own.lead_ns.take(at), begin_ns.take(span)),
            own.t_ns.take(at + (w - 1)),
            self._device,
            self._packed(own, chosen, w),
            w,
            problems.take(span) | self._crowded(own, chosen, w),
        )

    def _cut(
        self, own: Bits, end: Rows, rest: Rows, problems: Problems, span_ns: tuple[Times, Times]
    ) -> list[SpiWords]:
        """The last bits of spans that leave some over; of equal number at once."""
        begin_ns, over_ns = span_ns
        return [
            self._words(
                own,
                end[which] - bits,
                bits,
                problems[which] | _CUT,
                (begin_ns[which], over_ns[which]),
            )
            for bits in np.unique(rest[rest > 0]).tolist()
            for which in [(rest == bits).nonzero()[0]]
        ]

    def _words(
        self,
        own: Bits,
        at: Rows,
        bits: int,
        problems: npt.ArrayLike,
        span_ns: tuple[Times, npt.ArrayLike],
    ) -> SpiWords:
        """Words of so many bits that begin at some places, and when their spans begin and end."""
        begin_ns, end_ns = span_ns
        chosen = (at[:, None] + np.arange(bits)).reshape(-1)
        crowded = self._crowded(own, chosen, bits)
        return spi_words(
            np.maximum(own.lead_ns.take(at), begin_ns),
            end_ns,
            self._device,
            self._packed(own, chosen, bits),
            bits,
            np.asarray(problems, np.uint16) | crowded,
        )

    def _packed(
        self, own: Bits, chosen: slice | Rows, bits: int
    ) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint32]]:
        lsb_first = self._form.lsb_first
        mosi, miso = (
            packed(column[chosen].reshape(-1, bits), lsb_first=lsb_first)
            for column in (own.mosi, own.miso)
        )
        return mosi, miso

    @staticmethod
    def _crowded(own: Bits, chosen: slice | Rows, bits: int) -> Problems | np.uint16:
        """The problem of words with a bit for which several devices were selected."""
        if own.crowded is None:
            return np.uint16(0)
        several = own.crowded[chosen].reshape(-1, bits).any(axis=1)
        return np.where(several, np.uint16(_SEVERAL), np.uint16(0))

    def _empty(
        self, empty: npt.NDArray[np.bool_], begin_ns: Times, over_ns: Times, problems: Problems
    ) -> SpiWords:
        """Selects that are over and had no bit."""
        at = empty.nonzero()[0]
        start, end = begin_ns.take(at), over_ns.take(at)
        own = problems.take(at) & np.uint16(_UNSYNCED | _GLITCH)
        own |= np.where(end - start < self._glitch_ns, np.uint16(_GLITCH), np.uint16(_NO_CLOCK))
        return spi_words(start, end, self._device, (0, 0), 0, own)

"""Low pulses of a serial line to bytes.

A line that idles high is a row of low pulses, each from a fall to a rise. A byte begins with the
fall of its start bit; the next begins with the first fall after the middle of its stop bit. Which
falls begin bytes is therefore a chain, each link found from the one before. Every fall is given
its link; links are doubled four times, the chain is followed in steps of sixteen, and what lies
between is filled in (measured: a quarter of the time of single steps).

A byte's word is summed from its pulses: one that samples a to b - 1 see low takes 2^b - 2^a from a
word of ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.serial_bytes import SerialBytes, no_bytes, problem_bit, with_problems
from decoders.buses.uart_format import SampleClock, UartFormat

Times = npt.NDArray[np.int64]
Rows = npt.NDArray[np.intp]

NEVER = 1 << 62  # a rise that was not seen
_DOUBLED = 4  # how often links are doubled
_ONE = np.int32(1)
SYNCED = -1  # instead of a number of bytes
_SURE_BYTES = 16  # so many stop bits in a row at the wrong places are not to be expected
_FRAMING, _BREAK, _GLITCH = problem_bit("framing"), problem_bit("break"), problem_bit("glitch")
_UNSYNCED, _SHORT_STOP = problem_bit("unsynced"), problem_bit("short-stop")


@dataclass(frozen=True, slots=True)
class BaudSums:
    """Falls inside good bytes: least squares of time after the start edge on bit number."""

    bytes: int = 0  # with at least one fall after the start edge
    bits_by_ns: int = 0  # sum of bits * ns
    bits_squared: int = 0

    def bit_ns(self) -> float | None:
        """Length of a bit; None when nothing was measured."""
        return self.bits_by_ns / self.bits_squared if self.bits_squared else None


class FrameReader:
    """Reads the bytes of one observed stretch after another.

    Attributes:
        sums: what the length of a bit is measured by.
        rejected: low pulses outside bytes that were too short for a start bit.
    """

    def __init__(self, frame: UartFormat, baud: float) -> None:
        self.clock = SampleClock(frame, baud)
        self.sums = BaudSums()
        self.rejected = 0
        self._value, self._problems = frame.meanings()
        self._ones = len(self._value) - 1
        self._most_falls = (self.clock.samples + 1) // 2  # after the start, of whole bits
        self._run = 0  # bytes in a row with stop bits, or SYNCED
        self._high_from_ns = 0

    def begin(self, high_from_ns: int, *, after_break: bool = False) -> None:
        """Begin an observed stretch; the line is first seen high at that time."""
        self._run = SYNCED if after_break else 0
        self._high_from_ns = high_from_ns

    def is_synced(self, start_ns: int, high_from_ns: int | None = None) -> bool:
        """Whether the next byte is sure to begin there; None: high since what was read last."""
        synced = self._run == SYNCED or self._run >= _SURE_BYTES
        high_from_ns = self._high_from_ns if high_from_ns is None else high_from_ns
        return synced or start_ns - high_from_ns >= self.clock.frame_ns

    def read(self, fall: Times, rise: Times, decided: int) -> tuple[SerialBytes, int]:
        """The bytes that begin with one of the first `decided` falls.

        Args:
            fall: int64[m] rising; the first may begin a byte.
            rise: int64[m] the end of each pulse; the last may be NEVER.
            decided: all falls and rises within a frame of these are there.

        Returns:
            The bytes, and the first fall that may begin the next byte, `decided` or more.
        """
        if not decided:
            return no_bytes(), 0
        low_ns = rise - fall
        following = self._following(fall, low_ns)
        some_short = low_ns.min() < self.clock.half_ns
        if some_short:
            short = (low_ns < self.clock.half_ns).nonzero()[0]
            following[short] = short + 1
        starts = chain = _chain(following, decided)
        carry = int(following[chain[-1]])
        if some_short:
            starts = chain[low_ns.take(chain) >= self.clock.half_ns]
        self.rejected += len(chain) - len(starts)
        table = no_bytes()
        if len(starts):
            table = self._rows(fall, rise, starts, following.take(starts))
        self._high_from_ns = int(rise[carry - 1])
        return table, carry

    def partial(self, fall: Times, rise: Times, until_ns: int) -> int | None:
        """The word of samples of a byte that is cut; None when it lacks more than the stop bit.

        Args:
            fall: int64[m] from its start edge on.
            rise: int64[m] the last may be NEVER.
            until_ns: the last moment observed.
        """
        times = np.array([until_ns - fall[0]], np.float64)
        if int(self.clock.seen_from(times)[0]) < self.clock.samples - 1:
            return None
        low = self._lows(fall, rise, np.zeros(1, np.intp))[0]
        return self._ones & ~int(low.sum()) | (self._ones + 1) >> 1

    def value_of(self, word: int) -> tuple[int, int]:
        """Data bits and problems of a word of samples."""
        return int(self._value[word]), int(self._problems[word])

    def _following(self, fall: Times, low_ns: Times) -> Rows:
        """For each fall the first from the middle of the stop bit on, if it begins a byte."""
        m = len(fall)
        ends = fall + self.clock.stop_ns
        count = np.zeros(m, np.uint8)
        last = min(self._most_falls, m - 1)
        earlier = np.empty(m, np.bool_)
        for k in range(1, last + 1):
            np.less(fall[k:], ends[: m - k], out=earlier[: m - k])
            count[: m - k] += earlier[: m - k].view(np.uint8)
        following = np.arange(1, m + 1)
        following += count
        if last and count.max() == last:  # perhaps more pulses than bits
            full = (count == last).nonzero()[0]
            following[full] = fall.searchsorted(ends[full])
        # A break begins with its fall, wherever that lies.
        if low_ns.max() > self.clock.frame_ns:
            breaks = (low_ns > self.clock.frame_ns).nonzero()[0]
            after = breaks.searchsorted(np.arange(1, m + 1))
            np.minimum(following, np.append(breaks, m)[after], out=following)
        return following

    def _rows(self, fall: Times, rise: Times, starts: Rows, following: Rows) -> SerialBytes:
        """Rows of the bytes that begin with some falls, each with the fall that follows it."""
        first, carry = int(starts[0]), int(following[-1])
        next_ns = fall.take(np.minimum(following, len(fall) - 1))
        if carry == len(fall):
            next_ns[-1] = NEVER
        high_from_ns = int(rise[first - 1]) if first else self._high_from_ns
        fall, rise = fall[first:carry], rise[first:carry]
        starts, ends = starts - first, following - (first + 1)
        low, from_sample = self._lows(fall, rise, starts)
        total = low.cumsum(dtype=np.int32)
        word = total.take(ends)
        word[1:] -= total.take(starts[1:] - 1)
        np.subtract(self._ones, word, out=word)
        start_ns = fall.take(starts)
        end_ns = start_ns + self.clock.frame_ns
        broken = (next_ns < start_ns + self.clock.stop_ns).nonzero()[0]
        if len(broken):  # a break that began inside the byte: low from there on
            after = (next_ns[broken] - start_ns[broken]).astype(np.float64)
            word[broken] &= np.left_shift(_ONE, self.clock.seen_from(after)) - 1
        value, problems = self._value.take(word), self._problems.take(word)
        if self.clock.last_stop_ns > self.clock.stop_ns:
            early = next_ns < start_ns + self.clock.last_stop_ns
            early[broken] = False
            problems[early] |= _SHORT_STOP
        np.minimum(end_ns, next_ns, out=end_ns)
        self._mark_glitches(fall, rise, starts, from_sample, problems)
        is_break = rise.take(starts) - start_ns > self.clock.frame_ns
        if is_break.any():
            problems[is_break] = _BREAK
            end_ns[is_break] = rise.take(starts[is_break])
        self._measure(fall, start_ns, starts, ends, from_sample, problems == 0)
        if self._run >= 0:
            high_from = np.append(rise, high_from_ns)[starts - 1]
            self._mark_unsynced(start_ns - high_from, problems)
        return with_problems(start_ns, end_ns, value, problems)

    def _lows(
        self, fall: Times, rise: Times, starts: Rows
    ) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
        """What each pulse takes from the word of its byte, and the first sample that sees it."""
        # As floats since the first fall: exact up to 2^53 ns, and faster than whole numbers.
        falls, rises = (fall - fall[0]).astype(np.float64), (rise - fall[0]).astype(np.float64)
        base = np.repeat(falls.take(starts), np.diff(starts, append=len(fall)))
        falls -= base
        rises -= base
        from_sample, until = self.clock.seen_from(falls), self.clock.seen_from(rises)
        low = np.left_shift(_ONE, until)
        low -= np.left_shift(_ONE, from_sample)
        return low, from_sample

    def _mark_glitches(
        self,
        fall: Times,
        rise: Times,
        starts: Rows,
        from_sample: npt.NDArray[np.int32],
        problems: npt.NDArray[np.uint16],
    ) -> None:
        half_ns = self.clock.half_ns
        low_ns, high_ns = rise - fall, fall[1:] - rise[:-1]
        if low_ns.min() >= half_ns and (not len(high_ns) or high_ns.min() >= half_ns):
            return
        short, short_high = low_ns < half_ns, high_ns < half_ns
        is_start = np.zeros(len(fall), np.bool_)
        is_start[starts] = True
        short[1:] |= short_high & ~is_start[1:]
        short &= from_sample < self.clock.samples
        byte = starts.searchsorted(short.nonzero()[0], "right") - 1
        problems[byte] |= _GLITCH

    def _measure(
        self,
        fall: Times,
        start_ns: Times,
        starts: Rows,
        ends: Rows,
        from_sample: npt.NDArray[np.int32],
        good: npt.NDArray[np.bool_],
    ) -> None:
        """Add the last fall of each good byte; falls alone, since rises may be slower."""
        bits = from_sample.take(ends).astype(np.int64)
        good &= ends > starts
        good &= bits < self.clock.samples
        bits += 1
        bits *= good
        after_ns = fall.take(ends) - start_ns
        self.sums = BaudSums(
            self.sums.bytes + int(np.count_nonzero(good)),
            self.sums.bits_by_ns + int(bits.dot(after_ns)),
            self.sums.bits_squared + int(bits.dot(bits)),
        )

    def _mark_unsynced(self, high_ns: Times, problems: npt.NDArray[np.uint16]) -> None:
        """Mark rows until one is sure to begin a byte; `high_ns` is how long it was high before."""
        n = len(high_ns)
        row = np.arange(n)
        bad = (problems & np.uint16(_FRAMING | _BREAK)) != 0
        since_bad = row - np.maximum.accumulate(np.where(bad, row, -1 - self._run))
        sure = (since_bad >= _SURE_BYTES) | (problems == _BREAK)
        synced = high_ns >= self.clock.frame_ns
        synced[0] |= self._run >= _SURE_BYTES
        synced[1:] |= sure[:-1]
        at = int(synced.argmax()) if synced.any() else n
        problems[:at] |= _UNSYNCED
        self._run = SYNCED if at < n else _SURE_BYTES if sure[-1] else int(since_bad[-1])


def _chain(following: Rows, decided: int) -> Rows:
    """Rows reached from row 0 by following, below `decided`; at least row 0."""
    links = [np.append(np.minimum(following[:decided], decided), decided)]
    for _ in range(_DOUBLED):
        links.append(links[-1].take(links[-1]))
    far = memoryview(links[-1].data)
    heads, at = [], 0
    while at < decided:
        heads.append(at)
        at = far[at]
    chain = np.array(heads, np.intp)
    for link in reversed(links[:-1]):
        both = np.empty((len(chain), 2), np.intp)
        both[:, 0], both[:, 1] = chain, link.take(chain)
        chain = both.reshape(-1)
    return chain[: int(chain.searchsorted(decided))]

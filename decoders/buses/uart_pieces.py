"""One line's edges out of a capture's, and a fold from them to bytes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.serial_bytes import (
    UNKNOWN,
    SerialBytes,
    byte_rows,
    concatenated,
    problem_bit,
)
from decoders.buses.uart_format import UartFormat
from decoders.buses.uart_frames import NEVER, FrameReader, Times
from decoders.captures.edges import Edges

_BLOCK = 1 << 17  # rows worked on at once: larger falls out of the cache, smaller costs calls
_BREAK, _CUT, _UNSYNCED = problem_bit("break"), problem_bit("cut"), problem_bit("unsynced")


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Part of an observed stretch of one line."""

    begins: tuple[int, bool] | None  # when a stretch begins here: time, and whether it is idle
    t_ns: Times  # [n] the line changed; rising, but for pulses of no width
    until_ns: int  # nothing else changed up to here

    def parted(self, edges: int) -> tuple[Piece, Piece | None]:
        """The first `edges` edges, known up to the next, and the rest, if there are more."""
        if len(self.t_ns) <= edges:
            return self, None
        head, rest = self.t_ns[:edges], self.t_ns[edges:]
        return Piece(self.begins, head, int(rest[0])), Piece(None, rest, self.until_ns)


class LineEdges:
    """A fold from edges to the pieces of one line.

    Args:
        line: bit number of the line in `Edges.levels`.
        inverted: whether the line idles low.

    Raises:
        ValueError: if there is no such bit.
    """

    def __init__(self, line: int, *, inverted: bool) -> None:
        if not 0 <= line < 64:
            raise ValueError(f"line is {line}, not 0 to 63")
        self._line, self._inverted = line, inverted
        self._high: bool | None = None  # not inverted; None before anything was observed

    def feed(self, edges: Edges) -> Iterator[Piece]:
        """The pieces of a block, in order; the last reaches as far as the block."""
        t_ns, levels = edges.t_ns, edges.levels
        n, at, begins = len(t_ns), 0, None
        if n == 0:
            if self._high is not None:
                yield Piece(None, t_ns, edges.until_ns)
            return
        if 8 * levels.itemsize <= self._line:
            raise ValueError(f"line {self._line} of {8 * levels.itemsize} lines")
        mask = levels.dtype.type(1 << self._line)
        if edges.begins or self._high is None:
            self._high = bool(levels[0] & mask)
            begins, at = (int(t_ns[0]), self._high != self._inverted), 1
        while at < n or begins:
            part = slice(at, at + _BLOCK)
            until_ns = edges.until_ns if at + _BLOCK >= n else int(t_ns[part][-1])
            yield Piece(begins, self._changes(t_ns[part], (levels[part] & mask) != 0), until_ns)
            at, begins = at + _BLOCK, None

    def _changes(self, t_ns: Times, high: npt.NDArray[np.bool_]) -> Times:
        if not len(t_ns):
            return t_ns
        changed = np.empty(len(high), np.bool_)
        changed[0] = high[0] != self._high
        np.not_equal(high[1:], high[:-1], out=changed[1:])
        self._high = bool(high[-1])
        return t_ns if changed.all() else t_ns[changed]


class PieceDecoder:
    """A fold from the pieces of a line to bytes, at a known baud.

    Args:
        frame: the format of a byte.
        baud: bits a second.
        wait_ns: edges wait for more until so much time is covered; None: until there are enough.
    """

    def __init__(self, frame: UartFormat, baud: float, wait_ns: int | None) -> None:
        self.baud = baud
        self.reader = FrameReader(frame, baud)
        self._wait_ns = wait_ns
        self._observes = False
        self._first_low = False  # the first edge that waits is where observation began, in a low
        self._waiting: list[Times] = []  # edges from the fall that may begin the next byte
        self._new = 0  # of these, how many were not looked at yet
        self._until_ns = 0
        self._done: list[SerialBytes] = []

    def feed(self, piece: Piece) -> None:
        """Take the next piece."""
        if piece.begins:
            self._end()
            self._begin(*piece.begins)
        if len(piece.t_ns):
            self._waiting.append(piece.t_ns)
            self._new += len(piece.t_ns)
        self._until_ns = piece.until_ns
        if not self._waiting:
            return
        waited_ns = self._until_ns - int(self._waiting[0][0])
        if self._new >= _BLOCK or (self._wait_ns is not None and waited_ns >= self._wait_ns):
            self._work(last=False)

    def finish(self) -> None:
        """Close what is open."""
        self._end()

    def take(self) -> SerialBytes:
        """The bytes that are done."""
        done, self._done = self._done, []
        return concatenated(done)

    def _begin(self, t_ns: int, is_idle: bool) -> None:
        self._observes, self._first_low = True, not is_idle
        self.reader.begin(t_ns)
        if self._first_low:
            self._waiting.append(np.array([t_ns], np.int64))

    def _end(self) -> None:
        if self._observes and self._waiting:
            self._work(last=True)
        self._waiting.clear()
        self._observes, self._new = False, 0

    def _work(self, *, last: bool) -> None:
        """Read the bytes that nothing to come can change; at the last, all."""
        t_ns = np.concatenate(self._waiting)
        self._new = 0
        if self._first_low and not (len(t_ns) > 1 or last):
            return
        if self._first_low:
            t_ns = self._without_first_low(t_ns)
        self._waiting = [t_ns]
        if len(t_ns):
            carry = self._read(t_ns, last=last)
            self._waiting = [t_ns[2 * carry :].copy()]
        if not len(self._waiting[0]):
            self._waiting.clear()

    def _without_first_low(self, t_ns: Times) -> Times:
        """Leave out the low pulse that observation began in; a break if it was long enough."""
        ended = len(t_ns) > 1
        begin_ns, end_ns = int(t_ns[0]), int(t_ns[1]) if ended else self._until_ns
        is_break = end_ns - begin_ns > self.reader.clock.frame_ns
        if is_break:
            self._done.append(byte_rows([(begin_ns, end_ns, 0, _BREAK | _CUT)]))
        self.reader.begin(end_ns, after_break=is_break)
        self._first_low = False
        return t_ns[2:]

    def _read(self, t_ns: Times, *, last: bool) -> int:
        """Read bytes; returns how many pulses are done with."""
        fall = t_ns[::2].copy()
        rise = np.full(len(fall), NEVER)
        rise[: len(t_ns) // 2] = t_ns[1::2]
        is_low = len(t_ns) % 2 == 1
        if not last:
            table, carry = self.reader.read(fall, rise, self._decided(fall, is_low=is_low))
            self._done.append(table)
            return carry
        clock, until_ns = self.reader.clock, self._until_ns
        if is_low and until_ns - fall[-1] <= clock.frame_ns:
            rise[-1] = fall[-1] + clock.frame_ns  # not seen to be a break
        decided = int(fall.searchsorted(until_ns - clock.stop_ns, "right"))
        table, carry = self.reader.read(fall, rise, decided)
        if len(table) and table.end_ns[-1] == NEVER:
            table.problems[-1] |= _CUT
        np.minimum(table.end_ns, until_ns, out=table.end_ns)
        self._done += [table, self._cut_byte(fall[carry:], rise[carry:])]
        return len(fall)

    def _decided(self, fall: Times, *, is_low: bool) -> int:
        """How many falls can be judged: what lies within a frame of them was seen."""
        clock, until_ns = self.reader.clock, self._until_ns
        decided = int(fall.searchsorted(until_ns - clock.frame_ns, "right"))
        if is_low and until_ns - fall[-1] > clock.frame_ns:  # a break that lasts
            decided = min(decided, len(fall) - 1)
        elif is_low:  # it may become a break, which would end the byte before it
            decided = min(decided, int(fall.searchsorted(fall[-1] - clock.stop_ns, "right")))
        return decided

    def _cut_byte(self, fall: Times, rise: Times) -> SerialBytes:
        """The byte that the end of the stretch cuts, if there is one."""
        begins = (rise - fall >= self.reader.clock.half_ns).nonzero()[0]
        self.reader.rejected += int(begins[0]) if len(begins) else len(fall)
        if not len(begins):
            return byte_rows(())
        at = int(begins[0])
        start_ns = int(fall[at])
        value, problems = UNKNOWN, _CUT
        word = self.reader.partial(fall[at:], rise[at:], self._until_ns)
        if word is not None:
            value, found = self.reader.value_of(word)
            problems |= found
        if not self.reader.is_synced(start_ns, int(rise[at - 1]) if at else None):
            problems |= _UNSYNCED
        return byte_rows([(start_ns, self._until_ns, value, problems)])

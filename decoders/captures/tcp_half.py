"""One direction of a TCP connection: segments in any order to bytes in theirs (RFC 9293 section 3).

What comes too early waits until what is missing has come, or until it is clear that the capture
does not have it: the receiver has acknowledged it for a tenth of a second, or too much waits. Of
bytes that were sent more than once the first copy stays. Times: bytes count as come when all bytes
before them had, too; what was never captured is not waited for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

MOST_WAITING_BYTES = 1 << 17
MOST_WAITING = 512
PATIENCE_NS = 100_000_000  # frames of one connection are swapped by less in captures
_HALF_SPACE, _SPACE = 1 << 31, 1 << 32


class Piece(NamedTuple):
    """Bytes that follow those before them in the stream, or a hole in it."""

    t_ns: int  # when all of it and of what stands before had come
    data: bytes  # b"": a hole
    missing: int = 0  # bytes of the hole, that were sent and not captured


class _Early(NamedTuple):
    data: bytes
    lacking: int
    t_ns: int


@dataclass(slots=True)
class Half:
    """A fold from the segments of one direction to pieces.

    Attributes:
        next_seq: of the byte that comes next; None until something came.
        repeated: segments that brought nothing new.
        reordered: segments that came too early.
        missing: bytes that were never captured.
    """

    next_seq: int | None = None
    repeated: int = 0
    reordered: int = 0
    missing: int = 0
    is_over: bool = False  # everything up to its FIN has come
    is_told: bool = False  # that it is over was passed on
    last_ns: int = -(2**63)  # when the last byte had come
    _waiting: dict[int, _Early] = field(default_factory=dict)  # by distance from `_base`
    _waiting_bytes: int = 0
    _base: int = 0  # sequence number that distances are counted from
    _done: int = 0  # distance of next_seq
    _since_ns: int = 0  # since when something has been waiting
    _fin: int | None = None  # distance of the FIN

    @property
    def is_waiting(self) -> bool:
        """Whether something came too early."""
        return bool(self._waiting)

    @property
    def is_plain(self) -> bool:
        """Whether the next segment may be passed on as it is, if it is the next one."""
        return self.next_seq is not None and not self._waiting and self._fin is None

    def begin(self, seq: int) -> None:
        """The first byte will have this number."""
        self.next_seq = self._base = seq % _SPACE
        self._done = 0

    def is_begun_at(self, seq: int) -> bool:
        """Whether its first byte has this number."""
        return self.next_seq is not None and self._base == seq % _SPACE

    def passed(self, count: int, t_ns: int) -> None:
        """So many bytes were passed on as they came; the last of them at `t_ns`."""
        self._advance(count)
        self.last_ns = max(self.last_ns, t_ns)

    def distance(self, seq: int) -> int:
        """How far a sequence number lies behind the next byte; negative: before it."""
        ahead = (seq - (self.next_seq or 0)) % _SPACE
        return ahead - _SPACE if ahead >= _HALF_SPACE else ahead

    def feed(self, seq: int, data: bytes, lacking: int, t_ns: int) -> list[Piece]:
        """Take a segment; return the pieces it completes.

        Args:
            seq: number of its first byte.
            data: its captured bytes.
            lacking: how many bytes of it were not captured.
            t_ns: its time.
        """
        if self.next_seq is None:
            self.begin(seq)
        ahead = self.distance(seq)
        if ahead + len(data) + lacking <= 0:
            self.repeated += 1
            return []
        if ahead < 0:
            data, lacking = _behind(data, lacking, -ahead)
            ahead = 0
        if ahead > 0:
            self._wait(self._done + ahead, _Early(data, lacking, t_ns))
            return self._drained() if self._is_too_much() else []
        return self._given(data, lacking, t_ns) + self._followers()

    def fin(self, seq: int, t_ns: int) -> None:
        """The sender has no more bytes from this number on."""
        if self.next_seq is None:
            self.begin(seq)
        if self._fin is None:
            self._fin = self._done + self.distance(seq)
            self._settle_over()
            if not self.is_over:  # so that what is missing before it is a hole in the end
                self._wait(self._fin, _Early(b"", 0, t_ns))

    def acknowledged(self, ack: int, t_ns: int) -> list[Piece]:
        """The receiver has everything before `ack`: what is missing here was not captured."""
        if not self._waiting or t_ns - self._since_ns < PATIENCE_NS or self.distance(ack) <= 0:
            return []
        return self._skipped() + self._followers()

    def finish(self) -> list[Piece]:
        """Give what waits, with holes where something is missing."""
        return self._drained()

    def _wait(self, at: int, early: _Early) -> None:
        if not self._waiting:
            self._since_ns = early.t_ns
        before = self._waiting.get(at)
        if before is not None and len(before.data) >= len(early.data):
            self.repeated += 1
            return
        self._waiting[at] = early
        self._waiting_bytes += len(early.data) - (len(before.data) if before else 0)
        self.reordered += 1

    def _is_too_much(self) -> bool:
        return self._waiting_bytes > MOST_WAITING_BYTES or len(self._waiting) > MOST_WAITING

    def _given(self, data: bytes, lacking: int, t_ns: int) -> list[Piece]:
        """Pass on what comes next, and the hole behind it."""
        self.last_ns = t_ns = max(t_ns, self.last_ns)
        self._advance(len(data) + lacking)
        self.missing += lacking
        pieces = [Piece(t_ns, data)] if data else []
        if lacking:
            pieces.append(Piece(t_ns, b"", lacking))
        return pieces

    def _advance(self, count: int) -> None:
        self.next_seq = ((self.next_seq or 0) + count) % _SPACE
        self._done += count
        self._settle_over()

    def _settle_over(self) -> None:
        self.is_over = self._fin is not None and self._done >= self._fin

    def _followers(self) -> list[Piece]:
        """What waited for the bytes that have come."""
        pieces: list[Piece] = []
        while self._waiting:
            at = min(self._waiting)
            if at > self._done:
                break
            early = self._waiting.pop(at)
            self._waiting_bytes -= len(early.data)
            data, lacking = _behind(early.data, early.lacking, self._done - at)
            if data or lacking:
                pieces += self._given(data, lacking, early.t_ns)
        if self._waiting:
            self._since_ns = min(early.t_ns for early in self._waiting.values())
        return pieces

    def _skipped(self) -> list[Piece]:
        """The hole before what waits; it came before that did."""
        at = min(self._waiting)
        hole = at - self._done
        self._advance(hole)
        self.missing += hole
        return [Piece(max(self.last_ns, self._waiting[at].t_ns), b"", hole)]

    def _drained(self) -> list[Piece]:
        pieces = self._followers()
        while self._waiting:
            pieces += self._skipped() + self._followers()
        return pieces


def _behind(data: bytes, lacking: int, count: int) -> tuple[bytes, int]:
    """A segment without its first bytes."""
    if count <= len(data):
        return data[count:], lacking
    return b"", max(lacking - (count - len(data)), 0)

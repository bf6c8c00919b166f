"""One target's transactions cut into polls: its repeating group, a request and its reply for most.

Where the gaps show polling (`gaps.py`), a poll begins after a long gap. Else a poll is a write with
the read that follows it, or any transaction by itself. A repeated START never begins a poll. While
nothing is answered the controller may retry without a pause; then a poll begins each time the usual
gap between polls has passed, as it would have.

What is learned is learned at fixed counts of transactions (32, 64, 128, ...), and from those before
alone, so polls do not depend on how the run is cut. The first 32 wait until then.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from console.watch.gaps import NEVER, GapShape, Ints, Truths

WARM_UP = 32
_MOST_ROWS = 1024  # of one poll: memory stays bounded when a device is never left alone

Codes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """Transactions of one target in start order, n rows."""

    start_ns: Ints
    end_ns: Ints
    read: Truths
    restart: Truths  # began with a repeated START
    bad: Codes  # 0 when answered, else 1 + index into HOWS
    filler: Truths  # a read of two bytes or more, all of them FF
    content: Truths  # a read of two bytes or more
    blank: Truths  # bytes read, all of them FF or all of them 00

    def __len__(self) -> int:
        return len(self.start_ns)

    def part(self, first: int, last: int | None = None) -> Asked:
        """Rows first..last-1, as views."""
        return Asked(*(getattr(self, f.name)[first:last] for f in fields(self)))

    def copied(self) -> Asked:
        """The same rows in memory of their own."""
        return Asked(*(getattr(self, f.name).copy() for f in fields(self)))

    def then(self, other: Asked) -> Asked:
        """These rows and then the others, copied."""
        if not len(self):
            return other
        return Asked(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )


def nothing_asked() -> Asked:
    """No rows."""
    times, truths = np.empty(0, np.int64), np.empty(0, np.bool_)
    return Asked(times, times, truths, truths, np.empty(0, np.uint8), truths, truths, truths)


@dataclass(frozen=True, slots=True, eq=False)
class Polls:
    """Polls in start order, n rows; a time is NEVER and a count 0 where there is none."""

    start_ns: Ints
    end_ns: Ints
    good: Ints  # transactions answered
    bad: Ints  # transactions not answered
    reads: Ints
    answered: Truths  # its last transaction was
    how: Codes  # of the first one not answered, as in Asked.bad
    first_good_ns: Ints
    last_good_ns: Ints
    first_bad_ns: Ints
    good_before_bad: Ints  # transactions answered before the first that was not
    last_good_before_bad_ns: Ints
    first_read_ns: Ints
    good_before_read: Ints
    last_good_before_read_ns: Ints
    last_read: Truths  # whether its last transaction was a read
    first_good_read: Truths  # whether its first answered transaction was a read
    filler: Truths  # has reads, and all of them are filler
    content: Truths  # has reads with other content
    blank: Truths  # has reads, and all of them are blank

    def __len__(self) -> int:
        return len(self.start_ns)

    def part(self, first: int, last: int | None = None) -> Polls:
        """Rows first..last-1, as views."""
        return Polls(*(getattr(self, f.name)[first:last] for f in fields(self)))


class PollCutter:
    """A fold from transactions of one target to its polls."""

    def __init__(self) -> None:
        self._shape = GapShape()
        self._threshold: tuple[int, int] | None = None  # long gap, usual gap between polls
        self._waiting = nothing_asked()  # until the warm-up is over
        self._open = nothing_asked()  # of the poll that may go on
        self._marked = 0  # rows for which it is settled whether they begin a poll
        self._learn_at = WARM_UP
        self._last = nothing_asked()  # the last of those rows, or none
        self._streak_ns = 0  # start of the unbroken run of unanswered rows it belongs to

    def feed(self, rows: Asked) -> Polls:
        """Take the next transactions; return the polls that are over."""
        self._waiting = self._waiting.then(rows)
        if self._marked == 0 and len(self._waiting) < WARM_UP:
            return polls_of(nothing_asked(), np.empty(0, np.int64))
        return self._cut(last=False)

    def finish(self) -> Polls:
        """Return the polls that are left."""
        return self._cut(last=True)

    @property
    def open_since_ns(self) -> int:
        """Start of the first poll not yet returned; far in the future when there is none."""
        rows = self._open if len(self._open) else self._waiting
        return int(rows.start_ns[0]) if len(rows) else 2**62

    def _cut(self, *, last: bool) -> Polls:
        rows, self._waiting = self._waiting, nothing_asked()
        begins = np.zeros(len(self._open), np.bool_)
        begins[:1] = True
        marks = [begins]
        if self._marked == 0:
            self._learn(rows.part(0, WARM_UP))
            self._threshold = self._shape.threshold()
        at = 0
        while at < len(rows):
            piece = rows.part(at, at + self._learn_at - self._marked)
            marks.append(self._begins(piece))
            if self._marked >= WARM_UP:  # what came before was learned above
                self._learn(piece)
            at += len(piece)
            self._marked += len(piece)
            self._last = piece.part(len(piece) - 1).copied()
            if self._marked == self._learn_at:
                self._threshold = self._shape.threshold()
                self._learn_at *= 2
        return self._close(self._open.then(rows), np.concatenate(marks), last=last)

    def _learn(self, rows: Asked) -> None:
        """Count the gaps between neighbours that were both answered."""
        seen = self._last.then(rows)
        both = (seen.bad[1:] == 0) & (seen.bad[:-1] == 0)
        gap_ns = np.where(seen.restart[1:], 0, seen.start_ns[1:] - seen.end_ns[:-1])
        self._shape.add(gap_ns[both], seen.read[:-1][both], seen.read[1:][both])

    def _begins(self, rows: Asked) -> Truths:
        """Which of the rows begin a poll."""
        known = len(self._last)
        seen = self._last.then(rows)
        bad = seen.bad > 0
        streak_ns = self._streaks(seen, bad)
        begins = np.ones(len(seen), np.bool_)
        if self._threshold:
            long_ns, usual_ns = self._threshold
            steps = (seen.start_ns - streak_ns) // max(usual_ns, 1)
            steps_before = (seen.start_ns[:-1] - streak_ns[1:]) // max(usual_ns, 1)
            retried = bad[1:] & bad[:-1] & (steps[1:] > steps_before)
            begins[1:] = (seen.start_ns[1:] - seen.end_ns[:-1] > long_ns) | retried
        else:
            begins[1:] = ~(seen.read[1:] & ~seen.read[:-1] & ~bad[:-1])
        begins[1:] &= ~seen.restart[1:]
        return begins[known:]

    def _streaks(self, seen: Asked, bad: Truths) -> Ints:
        """Start of the run of unanswered rows each row belongs to; its own start when answered."""
        fresh = ~bad
        fresh[1:] |= ~bad[:-1]
        fresh[:1] |= not len(self._last)
        at = np.maximum.accumulate(np.where(fresh, np.arange(len(seen)), -1))
        streak_ns = np.where(at >= 0, seen.start_ns[at], self._streak_ns)
        if len(seen):
            self._streak_ns = int(streak_ns[-1])
        return streak_ns

    def _close(self, rows: Asked, begins: Truths, *, last: bool) -> Polls:
        """Polls from marked rows; the last one stays open unless nothing more comes."""
        first = np.flatnonzero(begins)
        lengths = np.diff(first, append=len(rows))
        for k in np.flatnonzero(lengths > _MOST_ROWS)[::-1]:
            more = np.arange(first[k] + _MOST_ROWS, first[k] + lengths[k], _MOST_ROWS)
            first = np.insert(first, k + 1, more)
        if not last and len(first):
            self._open = rows.part(int(first[-1])).copied()
            return polls_of(rows.part(0, int(first[-1])), first[:-1])
        self._open = nothing_asked()
        return polls_of(rows, first)


def polls_of(rows: Asked, first: Ints) -> Polls:
    """Sum up rows that are cut before each index of `first`, which begins with 0."""
    n = len(rows)
    if n == 0:
        none = np.empty(0, np.int64)
        return Polls(*(none.astype(_poll_type(f.name)) for f in fields(Polls)))
    last = np.append(first[1:], n) - 1
    good = rows.bad == 0
    good_at, good_ns = _first_where(good, first, rows.start_ns)
    bad_at, bad_ns = _first_where(~good, first, rows.start_ns)
    read_at, read_ns = _first_where(rows.read, first, rows.start_ns)
    before_bad = _good_before(good, rows.start_ns, first, bad_at)
    before_read = _good_before(good, rows.start_ns, first, read_at)
    at_end = _good_before(good, rows.start_ns, first, last + 1)
    return Polls(
        start_ns=rows.start_ns[first],
        end_ns=rows.end_ns[last],
        good=np.add.reduceat(good, first, dtype=np.int64),
        bad=np.add.reduceat(~good, first, dtype=np.int64),
        reads=np.add.reduceat(rows.read, first, dtype=np.int64),
        answered=good[last],
        how=np.where(bad_at < n, rows.bad[np.minimum(bad_at, n - 1)], 0).astype(np.uint8),
        first_good_ns=good_ns,
        last_good_ns=at_end[1],
        first_bad_ns=bad_ns,
        good_before_bad=before_bad[0],
        last_good_before_bad_ns=before_bad[1],
        first_read_ns=read_ns,
        good_before_read=before_read[0],
        last_good_before_read_ns=before_read[1],
        last_read=rows.read[last],
        first_good_read=rows.read[np.minimum(good_at, n - 1)],
        filler=np.logical_or.reduceat(rows.filler & good, first)
        & ~np.logical_or.reduceat(rows.content & ~rows.filler & good, first),
        content=np.logical_or.reduceat(rows.content & ~rows.filler & good, first),
        blank=np.logical_or.reduceat(rows.blank & good, first)
        & ~np.logical_or.reduceat(rows.read & ~rows.blank & good, first),
    )


def _poll_type(name: str) -> type[np.generic]:
    if name == "how":
        return np.uint8
    truths = ("answered", "last_read", "first_good_read", "filler", "content", "blank")
    return np.bool_ if name in truths else np.int64


def _first_where(wanted: Truths, first: Ints, start_ns: Ints) -> tuple[Ints, Ints]:
    """Of each group the first wanted row and its time; n and NEVER where a group has none."""
    n = len(wanted)
    at = np.minimum.reduceat(np.where(wanted, np.arange(n), n), first)
    return at, np.where(at < n, start_ns[np.minimum(at, n - 1)], NEVER)


def _good_before(good: Truths, start_ns: Ints, first: Ints, at: Ints) -> tuple[Ints, Ints]:
    """Of each group, how many good rows lie before row `at` and when the last of them began."""
    n = len(good)
    within = np.minimum(at, n)
    sums = np.append(0, np.cumsum(good))
    latest = np.append(-1, np.maximum.accumulate(np.where(good, np.arange(n), -1)))
    last = latest[within]
    return sums[within] - sums[first], np.where(last >= first, start_ns[last], NEVER)

"""One target's passage from healthy to silent: a state machine over its polls.

Asked but not answered for `after_polls` polls in a row, or no longer asked, or held up by a line
that is held low: the target has stopped. Fewer unanswered polls, and then an answer, are a miss.
Rows are worked on as columns; Python looks at a poll by itself only where something changes.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from console.watch.gaps import NEVER, Ints, Spread, Truths
from console.watch.polls import Asked, Codes, PollCutter, Polls
from console.watch.replies import BUSY_NS, Judged, Replies, misses_in, sums
from console.watch.silences import TIMES_LONGEST, Silence
from console.watch.stops import (
    FILLER,
    INVALID,
    NOT_ASKED,
    SCL_STUCK,
    SDA_STUCK,
    Limits,
    Miss,
    Seen,
    Stop,
    Stretch,
)

# Before a change of habit can be told, a habit must be known.
_FEWEST_POLLS = 20
_HABIT_SILENCES = 3  # it was asked for at least this many times the silence that counts


class Target:
    """A fold over one target's transactions, exchanges and silences to its stops."""

    def __init__(self, limits: Limits) -> None:
        self.seen = Seen()
        self.stretch = Stretch()
        self.stop: Stop | None = None  # the run of unanswered polls that lasts
        self._limits = limits
        self._cutter = PollCutter()
        self._replies = Replies()
        self._silences: dict[int, Silence] = {}  # by the start of the transaction that ends each
        self._periods = Spread()
        self._poll_before_ns: int | None = None  # start of the last poll
        self._polls_known = 0
        self._first_poll_ns = NEVER  # start of the first poll with anything answered

    def feed(
        self, rows: Asked, exchange_ns: Ints, exchange_code: Codes, silences: list[Silence]
    ) -> list[Stop]:
        """Take the next transactions, exchanges and silences; return the stops that are over."""
        if len(rows):
            if not self.seen.asked:
                self.seen.first_asked_ns = int(rows.start_ns[0])
            self.seen.asked += len(rows)
            self.seen.last_asked_ns = int(rows.start_ns[-1])
        self._replies.feed(exchange_ns, exchange_code)
        self._silences |= {silence.until_ns: silence for silence in silences}
        return self._take(self._cutter.feed(rows))

    def finish(self, silence: Silence | None) -> list[Stop]:
        """Return the stops left, the one that lasts to the end last (`recovered_ns` is None)."""
        stops = self._take(self._cutter.finish())
        how = self._verdict(silence) if silence else 0
        if self.stop is None and silence and how:
            self.stop = self._silent(silence, how)
        elif self.stop is not None:
            lasted = self.seen.last_asked_ns - self.stop.first_bad_ns >= BUSY_NS
            long = self.stop.polls >= self._limits.after_polls and lasted
            self.stop = replace(self.stop, stopped=self.stop.stopped or long or how > 0)
        return stops + ([self.stop] if self.stop and self.stop.stopped else [])

    @property
    def ever_good(self) -> bool:
        """Whether it has answered at all."""
        return self._first_poll_ns > NEVER

    @property
    def exchanges(self) -> int:
        """How many exchanges described its traffic."""
        return self._replies.exchanges

    def _take(self, polls: Polls) -> list[Stop]:
        judged = self._replies.judge(polls, self._cutter.open_since_ns)
        self.seen.polls += len(polls)
        first = 0
        if not self.ever_good:
            good = np.flatnonzero(polls.good > 0)
            if not len(good):
                return []
            first = int(good[0])
            self.stretch = Stretch(first_good_ns=int(polls.first_good_ns[first]))
            self._first_poll_ns = int(polls.start_ns[first])
        stops = self._walk(judged, first)
        if len(polls):
            over = int(polls.end_ns[-1])
            self._silences = {at: s for at, s in self._silences.items() if at > over}
        return stops

    def _walk(self, judged: Judged, first: int) -> list[Stop]:
        """Go through polls from `first` on, in pieces in which nothing changes."""
        n = len(judged.polls)
        bad = judged.bad.copy()
        bad[:first] = False
        ended = self._ended_silences(judged.polls, first)
        begins, ends = _runs(bad)
        brief = (ends < n) & (ends - begins < self._limits.after_polls)
        if self.stop is not None:
            brief &= begins > first
        for k in ended:
            brief &= (begins > k) | (ends < k)
        misses = misses_in(judged, begins[brief], ends[brief])
        heavy = np.zeros(n, np.bool_)
        for a, b in zip(begins[~brief], ends[~brief], strict=True):
            heavy[a:b] = True
        changes = np.flatnonzero(heavy[1:] != heavy[:-1]) + 1
        edges = sorted({first, n, *ended, *changes[changes > first].tolist()})
        stops: list[Stop] = []
        for a, b in pairwise(edges):
            if a in ended:
                stops += self._end_silence(ended[a], answered=not heavy[a])
            if not heavy[a] and self.stop is not None:
                stops += self._recover(self.stop, judged, a, misses)
            self._learn(judged.polls, a, b)
            if heavy[a]:
                self._worsen(judged, a, b)
            else:
                self.stretch = self.stretch.and_then(sums(judged, a, b))
        self._count(misses)
        return stops

    def _ended_silences(self, polls: Polls, first: int) -> dict[int, Silence]:
        """Silences by the index of the poll that ends each."""
        found = {}
        for until_ns, silence in self._silences.items():
            k = int(np.searchsorted(polls.start_ns, until_ns))
            begins_poll = k < len(polls) and polls.start_ns[k] == until_ns
            if begins_poll and (k > first or self._poll_before_ns is not None):
                found[k] = silence
        return found

    def _learn(self, polls: Polls, a: int, b: int) -> None:
        """Count the periods of polls a..b-1."""
        starts = polls.start_ns[a:b]
        if self._poll_before_ns is not None:
            starts = np.concatenate([[self._poll_before_ns], starts])
        self._periods.add(np.diff(starts))
        self._polls_known += b - a
        self._poll_before_ns = int(starts[-1])

    def _worsen(self, judged: Judged, a: int, b: int) -> None:
        """Polls a..b-1 were not answered."""
        if self.stop is None:
            before = Stretch(int(judged.good_before[a]), last_good_ns=int(judged.last_good_ns[a]))
            how, first_bad_ns = int(judged.how[a]), int(judged.first_bad_ns[a])
            self.stop = Stop(self.stretch.and_then(before), how, first_bad_ns)
        self.stop = replace(
            self.stop,
            polls=self.stop.polls + b - a,
            transactions=self.stop.transactions + int(judged.unanswered[a:b].sum()),
            last_bad_read=bool(judged.polls.last_read[b - 1]),
            inside=self.stop.inside.and_then(sums(judged, a, b)),
        )

    def _recover(self, stop: Stop, judged: Judged, a: int, misses: list[Miss]) -> list[Stop]:
        """Poll `a` was answered: the run before it was a stop, or a miss."""
        self.stop = None
        at_ns = int(judged.polls.first_good_ns[a])
        lasted = at_ns - stop.first_bad_ns >= BUSY_NS
        if stop.stopped or (stop.polls >= self._limits.after_polls and lasted):
            self.stretch = Stretch()
            return [replace(stop, recovered_ns=at_ns)]
        self.stretch = self.stretch.and_then(stop.inside)
        busy = not lasted and stop.last_bad_read == judged.polls.first_good_read[a]
        if stop.how not in (FILLER, INVALID) and not busy:
            misses.append((stop.first_bad_ns, stop.polls, stop.transactions, stop.how))
        return []

    def _count(self, misses: list[Miss]) -> None:
        misses.sort()
        self.seen.misses.add(np.array([miss[0] for miss in misses], np.int64))
        for _, polls, transactions, how in misses:
            self.seen.missed_polls += polls
            self.seen.missed_transactions += transactions
            self.seen.longest_miss = max(self.seen.longest_miss, polls)
            self.seen.first_miss_how = self.seen.first_miss_how or how

    def _end_silence(self, silence: Silence, *, answered: bool) -> list[Stop]:
        """The stop a silence was; if the poll that ended it was not answered, it goes on."""
        how = self._verdict(silence)
        if not how:
            return []
        if self.stop is not None:
            self.stop = replace(self.stop, stopped=True)
            return []
        stop = self._silent(silence, how)
        if how == NOT_ASKED:
            return [replace(stop, recovered_ns=silence.until_ns)]
        if not answered:
            self.stop = stop
            return []
        self.stretch = Stretch()
        return [replace(stop, recovered_ns=silence.until_ns)]

    def _silent(self, silence: Silence, how: int) -> Stop:
        """A stop without an unanswered transaction: since the line was held, or a poll was due."""
        due_ns = silence.from_ns
        if self._poll_before_ns is not None:
            due_ns = self._poll_before_ns + self._usual_period_ns(self._poll_before_ns)
        since_ns = due_ns if how == NOT_ASKED else silence.held_from_ns
        return Stop(self.stretch, how, min(since_ns, silence.until_ns), stopped=True)

    def _usual_period_ns(self, last_ns: int) -> int:
        """The median period; it is known to a bin, so the mean where that bin holds it."""
        median_ns = self._periods.quantile_ns(0.5)
        mean_ns = (last_ns - self._first_poll_ns) // max(self._polls_known - 1, 1)
        return mean_ns if abs(mean_ns - median_ns) <= 0.1 * median_ns else median_ns

    def _verdict(self, silence: Silence) -> int:
        """How a silence stops the target; 0 if it is none that counts."""
        period_ns = self._periods.quantile_ns(0.5)
        held = max(BUSY_NS, self._limits.after_polls * period_ns)
        if self._polls_known >= self._limits.after_polls and silence.held_ns >= held:
            return SCL_STUCK if silence.clock_held else SDA_STUCK
        long_ns = max(
            round(self._limits.silence_periods * max(period_ns, self._periods.quantile_ns(0.99))),
            self._limits.min_silence_ns,
            TIMES_LONGEST * silence.longest_before_ns,
        )
        silent = silence.until_ns - silence.from_ns > long_ns
        others_go_on = silence.observed and silence.life_ns > silence.from_ns + long_ns
        habit = silence.from_ns - self._first_poll_ns >= _HABIT_SILENCES * long_ns
        known = self._polls_known >= _FEWEST_POLLS and habit
        return NOT_ASKED if silent and others_go_on and known else 0


def _runs(flags: Truths) -> tuple[Ints, Ints]:
    """Where runs of true begin, and where each is over."""
    change = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)

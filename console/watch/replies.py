"""What a target's replies say: polls with the outcome of their exchanges, and filler."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from console.watch.gaps import NEVER, Ints, Truths
from console.watch.polls import Codes, Polls
from console.watch.stops import FILLER, INVALID, Miss, Stretch

# A device writing its memory answers nobody for up to some 10 ms and is polled until it does.
BUSY_NS = 25_000_000
# Replies with other content a target must be known for, and the share of filler among them, for
# filler to be something new.
FEWEST_REPLIES = 20
FILLER_SHARE = 0.01

OUTCOMES = ("answered", "late", "invalid", "none")  # of an exchange; code 0 is none at all


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Polls with what their content says, n rows."""

    polls: Polls
    bad: Truths
    how: Codes
    first_bad_ns: Ints
    good_before: Ints
    last_good_ns: Ints  # before the first bad one, NEVER for none
    unanswered: Ints  # transactions
    exchanges: Ints  # answered


class Replies:
    """A fold that joins the polls of one target with its exchanges, and knows its filler."""

    def __init__(self) -> None:
        self.exchanges = 0
        self._exchange_ns = np.empty(0, np.int64)  # not yet joined with a poll
        self._exchange_code = np.empty(0, np.uint8)
        self._fillers = 0  # polls so far
        self._contents = 0
        self._filler_run: tuple[int, int] | None = None  # the two counts before the current run

    def feed(self, exchange_ns: Ints, exchange_code: Codes) -> None:
        """Take the next exchanges: when each was asked, 1 + index into OUTCOMES."""
        self._exchange_ns = np.concatenate([self._exchange_ns, exchange_ns])
        self._exchange_code = np.concatenate([self._exchange_code, exchange_code])

    def judge(self, polls: Polls, open_since_ns: int) -> Judged:
        """What these polls came to; exchanges from `open_since_ns` on belong to later ones."""
        outcome, exchanges = self._outcomes(polls, open_since_ns)
        wrong = outcome == 1 + OUTCOMES.index("invalid")
        missing = (outcome == 1 + OUTCOMES.index("none")) & (polls.reads > 0)
        undescribed = outcome == 0
        filler = undescribed & self._new_filler(polls)
        content_bad = polls.answered & (wrong | missing | filler)
        content_how = np.where(filler | polls.blank, FILLER, INVALID)
        at_read = content_bad & (polls.reads > 0)
        return Judged(
            polls=polls,
            bad=~polls.answered | content_bad,
            how=np.where(content_bad, content_how, polls.how).astype(np.uint8),
            first_bad_ns=np.where(
                content_bad,
                np.where(at_read, polls.first_read_ns, polls.start_ns),
                polls.first_bad_ns,
            ),
            good_before=np.where(
                content_bad, np.where(at_read, polls.good_before_read, 0), polls.good_before_bad
            ),
            last_good_ns=np.where(
                content_bad,
                np.where(at_read, polls.last_good_before_read_ns, NEVER),
                polls.last_good_before_bad_ns,
            ),
            unanswered=np.where(
                content_bad, np.where(at_read, polls.reads, polls.good + polls.bad), polls.bad
            ),
            exchanges=exchanges,
        )

    def _new_filler(self, polls: Polls) -> Truths:
        """Which polls lie in a run of filler that is new to a target known for other content."""
        n = len(polls)
        fillers = self._fillers + np.cumsum(polls.filler)
        contents = self._contents + np.cumsum(polls.content)
        begins = polls.filler.copy()
        begins[1:] &= ~polls.filler[:-1]
        if n and self._filler_run is not None:
            begins[0] = False
        at = np.maximum.accumulate(np.where(begins, np.arange(n), -1))
        run = self._filler_run or (0, 0)
        fillers_before = np.where(at >= 0, fillers[at] - 1, run[0])
        contents_before = np.where(at >= 0, contents[at], run[1])
        if n:
            self._fillers, self._contents = int(fillers[-1]), int(contents[-1])
            last = (int(fillers_before[-1]), int(contents_before[-1]))
            self._filler_run = last if polls.filler[-1] else None
        rare = fillers_before <= FILLER_SHARE * contents_before
        return polls.filler & rare & (contents_before >= FEWEST_REPLIES)

    def _outcomes(self, polls: Polls, open_since_ns: int) -> tuple[Codes, Ints]:
        """Of each poll the outcome of its last exchange (0: none), and how many were answered."""
        code = np.zeros(len(polls), np.uint8)
        answered = np.zeros(len(polls), np.int64)
        n = int(np.searchsorted(self._exchange_ns, open_since_ns))
        if n and len(polls):
            at = np.searchsorted(polls.start_ns, self._exchange_ns[:n], side="right") - 1
            known = at >= 0
            at, found = at[known], self._exchange_code[:n][known]
            code[at] = found  # of equal indices the last one stays
            replied = found != 1 + OUTCOMES.index("none")
            answered = np.bincount(at[replied], minlength=len(polls)).astype(np.int64)
            self.exchanges += len(found)
        self._exchange_ns, self._exchange_code = self._exchange_ns[n:], self._exchange_code[n:]
        return code, answered


def sums(judged: Judged, a: int, b: int) -> Stretch:
    """What was answered in polls a..b-1."""
    polls = judged.polls.part(a, b)
    good = polls.good > 0
    return Stretch(
        transactions=int(polls.good.sum()),
        polls=int(polls.answered.sum()),
        exchanges=int(judged.exchanges[a:b].sum()),
        first_good_ns=int(polls.first_good_ns[good][0]) if good.any() else NEVER,
        last_good_ns=int(polls.last_good_ns.max()),
    )


def misses_in(judged: Judged, begins: Ints, ends: Ints) -> list[Miss]:
    """Short runs of unanswered polls that count as missed, by the run's borders."""
    how = judged.how[begins]
    first_ns = judged.first_bad_ns[begins]
    lasted = judged.polls.first_good_ns[ends] - first_ns >= BUSY_NS
    same_way = judged.polls.last_read[ends - 1] == judged.polls.first_good_read[ends]
    unanswered = np.concatenate([[0], np.cumsum(judged.unanswered)])
    kept = (how != FILLER) & (how != INVALID) & (lasted | ~same_way)
    return list(
        zip(
            first_ns[kept].tolist(),
            (ends - begins)[kept].tolist(),
            (unanswered[ends] - unanswered[begins])[kept].tolist(),
            how[kept].tolist(),
            strict=True,
        )
    )

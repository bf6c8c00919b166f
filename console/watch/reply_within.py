"""Something that must be answered by something else within a time: a print, message, transaction.

Each request takes a reply of its own: the earliest one not taken that lies between the request and
the time allowed. With a key, a reply must carry the same value (an id, mostly). A lost command is
found because time passes: nothing need come, so a script that would wait for ever is found too.
Where the replies' source may have missed something in the time allowed, whether a reply came is not
observable; that is told as such.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import polars as pl

from console.bench.conditions import Kind, Value, value_of
from console.trust.unobserved import NOTHING, Unobserved
from console.watch.findings import TIMES_KEPT, Finding, Severity, Tally, counted
from console.watch.gaps import Ints
from console.watch.names import Names
from console.watch.rows import Selection, Subject
from console.watch.rule import Batch, Horizon, Words

_EVER = 2**62
# Requests that nothing answered before it is known whose the replies are, and so whether they could
# have been seen; of more the first count as lost.
_MOST_WAITING = 1000
KEYS_SAID = 3  # lost requests named in the summary; the evidence has them all


class _Queue:
    """Requests and replies of one key, those that still matter."""

    __slots__ = ("replies", "requests")

    def __init__(self) -> None:
        self.requests: list[int] = []
        self.replies: list[int] = []

    def settle(self, until_ns: int, within_ns: int, slack_ns: int) -> list[int]:
        """Pair what can be paired up to `until_ns`; return the requests that nothing answered."""
        lost: list[int] = []
        requests, replies = self.requests, self.replies
        at = taken = 0
        # A loop over events, 0.4 us each: what one request takes decides what is left for the next.
        while at < len(requests):
            first_ns, last_ns = requests[at] - slack_ns, requests[at] + within_ns
            while taken < len(replies) and replies[taken] < first_ns:
                taken += 1
            if taken < len(replies) and replies[taken] <= last_ns:
                taken += 1
            elif last_ns <= until_ns:
                lost.append(requests[at])
            else:
                break
            at += 1
        self.requests = requests[at:]
        keep_ns = self.requests[0] - slack_ns if self.requests else until_ns - slack_ns
        while taken < len(replies) and replies[taken] < keep_ns:
            taken += 1
        self.replies = replies[taken:]
        return lost


class ReplyWithin:
    """A fold to requests that nothing answered in time.

    Args:
        request: table and condition of the requests.
        reply: table and condition of the replies.
        within_ns: time allowed from request to reply.
        names: who is who.
        keys: columns or paths of request and reply that must carry the same value; None for none.
        slack_ns: by how much a reply may seem to lie before its request, for clocks that are not
            known better than that.
        name: what the user calls the rule.
        severity: of what it finds.
    """

    def __init__(
        self,
        request: tuple[str, str],
        reply: tuple[str, str],
        within_ns: int,
        names: Names,
        *,
        keys: tuple[str, str] | None = None,
        slack_ns: int = 0,
        name: str = "",
        severity: Severity = "fault",
    ) -> None:
        self._request = Selection(*request, names)
        self._reply = Selection(*reply, names)
        self._keys: tuple[Value, Value] | None = None
        if keys is not None:
            self._keys = (
                value_of(request[0], keys[0], Kind.TEXT),
                value_of(reply[0], keys[1], Kind.TEXT),
            )
        self._within_ns = within_ns
        self._slack_ns = slack_ns
        self._name = name or (request[1] and f"{request[0]} where {request[1]}") or request[0]
        self._severity: Severity = severity
        self._words = Words(0)
        self._queues: dict[str, _Queue] = {}
        self._tally = Tally()
        self._unobservable = Tally()  # whether these were answered nobody can say
        self._unobserved: Mapping[str, Unobserved] = {}
        self._lost_keys: list[str] = []
        self._waiting: list[tuple[int, str]] = []  # not answered, before any reply was seen
        self._requests = 0
        self._subject: Subject | None = None
        self._reply_source = ""
        self._apart = False  # requests and replies are on no common axis
        self._observed_until: Mapping[str, int] = {}

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        self._observed_until = batch.observed_until
        self._unobserved = batch.unobserved
        requests, replies = self._request.rows(batch), self._reply.rows(batch)
        self._requests += requests.height
        if self._subject is None and requests.height:
            self._subject = next(self._request.by_subject(requests.head(1)))[0]
        if not self._reply_source and replies.height:
            self._reply_source = next(self._reply.by_subject(replies.head(1)))[0].source
        self._apart = self._are_apart(batch.off_axis)
        for key, times in self._by_key(requests, self._request, 0):
            self._queues.setdefault(key, _Queue()).requests += times.tolist()
        for key, times in [] if self._apart else self._by_key(replies, self._reply, 1):
            self._queues.setdefault(key, _Queue()).replies += times.tolist()
        self._settle(self._until(batch.until_ns))
        return []

    def _are_apart(self, off_axis: Collection[str]) -> bool:
        """Whether nobody can tell which reply came after which request."""
        if self._subject is None or not self._reply_source:
            return False
        pair = {self._subject.source, self._reply_source}
        return len(pair) == 2 and not pair.isdisjoint(off_axis)

    def _by_key(
        self, rows: pl.DataFrame, selection: Selection, side: int
    ) -> list[tuple[str, Ints]]:
        if not rows.height:
            return []
        if self._keys is None:
            return [("", selection.times(rows))]
        wanted = rows.select(
            pl.col(selection.time).alias("t_ns"),
            self._keys[side].expr().cast(pl.String).alias("key"),
        ).drop_nulls("key")
        parts = wanted.partition_by("key", as_dict=True, maintain_order=True)
        return [(str(key), part["t_ns"].to_numpy()) for (key,), part in parts.items()]

    def _until(self, until_ns: int) -> int:
        """Until when the replies' source can be judged."""
        if self._apart:
            return _EVER
        return Horizon(until_ns, self._observed_until).of(self._reply_source or None)

    def _settle(self, until_ns: int, *, last: bool = False) -> None:
        lost: list[tuple[int, str]] = []
        for key, queue in list(self._queues.items()):
            lost += [(t, key) for t in queue.settle(until_ns, self._within_ns, self._slack_ns)]
            if not queue.requests and not queue.replies:
                del self._queues[key]
        lost.sort()
        lost = [*self._waiting, *lost]
        self._waiting = []
        if not self._reply_source and not last:
            first = max(0, len(lost) - _MOST_WAITING)
            lost, self._waiting = lost[:first], lost[first:]
        times = np.array([t for t, _ in lost], np.int64)
        spans = self._unobserved.get(self._reply_source, NOTHING)
        unseen = spans.touches(times - self._slack_ns, times + self._within_ns)
        unseen |= self._apart
        self._unobservable.add(times[unseen])
        self._tally.add(times[~unseen])
        lost = [
            pair for pair, is_unseen in zip(lost, unseen.tolist(), strict=True) if not is_unseen
        ]
        self._lost_keys += [key for _, key in lost[: TIMES_KEPT - len(self._lost_keys)]]

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one finding that stands for all requests that were not answered."""
        self._settle(self._until(until_ns), last=True)
        if self._tally.count:
            return [self._lost()]
        return [self._not_observable()] if self._unobservable.count else []

    def _not_observable(self) -> Finding:
        """Requests of which nobody can say whether they were answered."""
        tally = self._unobservable
        summary = (
            f"{self._name}: not observable whether {tally.count:,} of "
            f"{counted(self._requests, 'request')} were answered, first at "
            f"{self._words.at(tally.first_ns)}"
        )
        if self._apart:
            summary += f": {self._reply_source} is on no common axis with them"
        return self._finding(tally.first_ns, "note", summary, tally.evidence())

    def _lost(self) -> Finding:
        """One finding that stands for all requests that were not answered."""
        tally = self._tally
        allowed = self._words.lasting(self._within_ns)
        when = f"at {self._words.at(tally.first_ns)}"
        if tally.count > 1:
            when = f"first {when}, last at {self._words.at(tally.last_ns)}"
        if self._keys is not None and tally.count == len(self._lost_keys) <= KEYS_SAID:
            when += f" ({self._keys[0].name} {', '.join(map(str, self._lost_keys))})"
        summary = (
            f"{self._name}: {tally.count:,} of {counted(self._requests, 'request')} not answered "
            f"within {allowed}, {when}"
        )
        if self._unobservable.count:
            summary += f"; of {self._unobservable.count:,} more it is not observable"
        evidence = tally.evidence()
        if self._unobservable.count:
            evidence["not_observable"] = self._unobservable.count
        if self._keys is not None:
            evidence["keys"] = list(self._lost_keys)
        return self._finding(tally.first_ns, self._severity, summary, evidence)

    def _finding(
        self, t_ns: int, severity: Severity, summary: str, more: dict[str, Any]
    ) -> Finding:
        evidence: dict[str, Any] = {
            "request_table": self._request.table,
            "request_where": self._request.where.text,
            "reply_table": self._reply.table,
            "reply_where": self._reply.where.text,
            "reply_source": self._reply_source,
            "within_ns": self._within_ns,
            "of": self._requests,
            **more,
        }
        party = self._subject.party if self._subject else ""
        source = self._subject.source if self._subject else ""
        return Finding(t_ns, "reply-within", severity, party, source, summary, evidence)

"""What a rule is: a fold over batches of the tables, the same live and over recordings."""

from __future__ import annotations

import copy
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import polars as pl

from console.bench.tables import TABLES
from console.timeline.links.passed_on import passed_on
from console.timeline.times import since_start
from console.trust.unobserved import Unobserved
from console.watch.findings import Finding
from decoders.durations import in_words

_EMPTY: dict[str, pl.DataFrame] = {}


@dataclass(frozen=True, slots=True)
class Batch:
    """All events of the tables after the last batch's `until_ns` and not after this one's.

    An event belongs to the time in its table's first column. A table that is not there has no rows
    in it. Rows are sorted by that column; columns may be left out only where no rule asks for them.
    """

    tables: Mapping[str, pl.DataFrame]
    until_ns: int  # common axis; nothing before it is still to come
    # Until when each source was watched, where it is known; a source that ended says nothing later.
    observed_until: Mapping[str, int] = field(default_factory=dict)
    # Of each source the spans in which it may have missed something, where there are any.
    unobserved: Mapping[str, Unobserved] = field(default_factory=dict)
    # Sources on no common axis: the order of their events and those of others is not known.
    off_axis: Collection[str] = ()
    # Sources and topics whose messages were seen on their way to the broker; what it passed on of
    # them is the same once more, for each who had subscribed.
    published: Collection[tuple[str, str]] = ()

    def messages_once(self) -> pl.DataFrame:
        """The messages, each once, though a network capture saw it pass several times."""
        messages = self.table("messages")
        if not self.published or not messages.height:
            return messages
        return messages.filter(~passed_on(self.published))

    def table(self, name: str) -> pl.DataFrame:
        """The rows of a table, maybe none."""
        frame = self.tables.get(name)
        if frame is not None:
            return frame
        if name not in _EMPTY:
            _EMPTY[name] = pl.DataFrame(schema=dict(TABLES[name]))
        return _EMPTY[name]


class Rule(Protocol):
    """A fold from batches to findings: however a run is cut, they come out the same.

    A finding is given when it is complete (a silence when it has ended, a count at the end of the
    run); `standing` tells what has been found so far. Memory stays bounded.
    """

    def begin(self, start_ns: int) -> None:
        """Told once, before all batches: when the run began."""
        ...

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; return the findings it completes."""
        ...

    def finish(self, until_ns: int) -> list[Finding]:
        """Return the findings that last to the end of what was observed; feed nothing after."""
        ...


def standing(rules: Iterable[Rule], until_ns: int, rest: Batch | None = None) -> list[Finding]:
    """What would be found if the run ended at `until_ns`, beyond what `feed` has returned.

    The rules are left as they are; this is how a live screen raises an alarm that still lasts.

    Args:
        rules: whose findings.
        until_ns: the end; nothing that was fed is later.
        rest: what is known up to then and was not fed yet.
    """
    found: list[Finding] = []
    for rule in rules:
        copied = copy.deepcopy(rule)
        found += [] if rest is None else copied.feed(rest)
        found += copied.finish(until_ns)
    return found


@dataclass(frozen=True, slots=True)
class Words:
    """Times in words, counted from the start of the run."""

    start_ns: int

    def at(self, t_ns: int) -> str:
        """`34:07.912` since the start."""
        return since_start(t_ns - self.start_ns)

    def lasting(self, ns: int) -> str:
        """`34 min`."""
        return in_words(ns)


@dataclass(frozen=True, slots=True)
class Horizon:
    """Until when a source can be judged: the end of the run, or of that source before it."""

    until_ns: int
    observed_until: Mapping[str, int]

    def of(self, source: str | None) -> int:
        """Its last judged ns on the common axis; of an unknown source, the end of the run."""
        if source is None:
            return self.until_ns
        return min(self.until_ns, self.observed_until.get(source, self.until_ns))

"""Cutting a run into the lives of its peripherals, by the stops that `stops-answering` finds.

There is one cutter: the rule's own fold. So an episode and its finding say the same, live and over
recordings; what counts as silence is learned there, for each peripheral, from its own polls.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Protocol

import polars as pl

from console.bench.model import Bench
from console.diagnosis.episode import Episode
from console.trust.unobserved import Unobserved
from console.watch.asked import TargetKey
from console.watch.from_bench import rules_for
from console.watch.gaps import NEVER
from console.watch.rule import Batch
from console.watch.stop_words import polls_answered
from console.watch.stops import HOWS, Stop, Stretch
from console.watch.stops_answering import StopsAnswering


class Observed(Protocol):
    """What was watched, as `pipeline.evidence.Observation` says it."""

    @property
    def until_ns(self) -> int:
        """Until when anything was."""
        ...

    @property
    def observed_until(self) -> Mapping[str, int]:
        """Until when each source was."""
        ...

    @property
    def unobserved(self) -> Mapping[str, Unobserved]:
        """The spans of each source that were not."""
        ...

    @property
    def off_axis(self) -> Collection[str]:
        """Sources whose times mean nothing beside those of others."""
        ...


class EpisodeCutter:
    """A fold from batches to episodes: of every peripheral the stretches, dead ones behind them.

    However a run is cut, the episodes are the same. An episode is given when it is over.

    Args:
        bench: whose `stops-answering` rules say when a peripheral counts as stopped; the default
            rule watches those it says nothing of.
        described: devices with packet descriptions.
    """

    def __init__(self, bench: Bench, described: Collection[str] = ()) -> None:
        rules = rules_for(bench, described=described)
        self._rules = [rule for rule in rules if isinstance(rule, StopsAnswering)]
        self._rule_of: dict[TargetKey, StopsAnswering] = {}  # the first that watches it

    def feed(self, batch: Batch) -> list[Episode]:
        """Take the next batch; return the episodes that are over, in time order."""
        return self._cut((rule, rule.stops(batch)) for rule in self._rules)

    def finish(self, until_ns: int) -> list[Episode]:
        """Return the last episode of every peripheral; one that still answered has not failed."""
        ends = [(rule, rule.last_stops(until_ns)) for rule in self._rules]
        found = self._cut(ends, until_ns)
        for rule, stops in ends:
            for key in stops:
                target = rule.target(key)
                lasts = target.stop is not None and target.stop.stopped
                if self._rule_of.get(key) is rule and target.ever_good and not lasts:
                    found += _unfailed(rule, key, until_ns)
        return in_order(found)

    def _cut(
        self,
        found: Iterable[tuple[StopsAnswering, Mapping[TargetKey, list[Stop]]]],
        until_ns: int = NEVER,
    ) -> list[Episode]:
        episodes = []
        for rule, by_target in found:
            for key, stops in by_target.items():
                if self._rule_of.setdefault(key, rule) is rule and rule.target(key).ever_good:
                    episodes += [_failed(rule, key, stop, until_ns) for stop in stops]
        return in_order(episodes)


def episodes_of(
    bench: Bench, tables: Mapping[str, pl.DataFrame], observed: Observed
) -> list[Episode]:
    """The episodes of a whole run, in time order.

    Args:
        bench: `Bench()` for loose files.
        tables: the event tables on the common axis, each sorted by its first column.
        observed: what was watched.
    """
    packets = tables.get("packets")
    described = [] if packets is None else packets["device"].unique().drop_nulls().to_list()
    cutter = EpisodeCutter(bench, described)
    batch = Batch(
        tables,
        observed.until_ns,
        observed.observed_until,
        observed.unobserved,
        observed.off_axis,
    )
    return in_order(cutter.feed(batch) + cutter.finish(observed.until_ns))


def in_order(episodes: Iterable[Episode]) -> list[Episode]:
    """By the time at which they end, then by who it is."""
    return sorted(episodes, key=lambda e: (e.first_bad_ns, e.source, e.bus, e.address))


def _failed(rule: StopsAnswering, key: TargetKey, stop: Stop, until_ns: int) -> Episode:
    """A stop; one that lasts does so to the end of what was observed of its bus."""
    recovered = stop.recovered_ns is not None
    over_ns = rule.observed_until(key, until_ns) if stop.recovered_ns is None else stop.recovered_ns
    return _episode(
        rule,
        key,
        stop.answered,
        span_ns=(stop.first_bad_ns, max(stop.first_bad_ns, over_ns)),
        how=HOWS[stop.how - 1],
        recovered=recovered,
        unanswered=stop.transactions,
    )


def _unfailed(rule: StopsAnswering, key: TargetKey, until_ns: int) -> list[Episode]:
    """The stretch that lasts to the end, if it has begun; some last polls may be unanswered."""
    target = rule.target(key)
    answered = target.stretch if target.stop is None else target.stop.answered
    if not answered.transactions:
        return []
    end_ns = max(answered.last_good_ns, rule.observed_until(key, until_ns))
    return [_episode(rule, key, answered, span_ns=(end_ns, end_ns))]


def _episode(
    rule: StopsAnswering,
    key: TargetKey,
    answered: Stretch,
    *,
    span_ns: tuple[int, int],
    how: str = "",
    recovered: bool = False,
    unanswered: int = 0,
) -> Episode:
    first_good, last_good = answered.first_good_ns, answered.last_good_ns
    if not answered.transactions:  # what it gave was never valid
        first_good = last_good = span_ns[0]
    return Episode(
        device=rule.device(key),
        source=key.bus.source,
        bus=key.bus.bus,
        address=key.address,
        address_bits=key.bits,
        first_good_ns=first_good,
        last_good_ns=last_good,
        first_bad_ns=span_ns[0],
        until_ns=span_ns[1],
        failed=how != "",
        recovered=recovered,
        how=how,
        transactions_answered=answered.transactions,
        polls_answered=polls_answered(rule.target(key), answered),
        transactions_unanswered=unanswered,
    )

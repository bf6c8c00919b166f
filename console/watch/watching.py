"""The runner: rules over the batches of a run."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

import polars as pl

from console.bench.model import Bench
from console.bench.tables import time_column
from console.timeline.links.passed_on import published_in
from console.trust.unobserved import Unobserved
from console.watch.findings import Finding, in_order
from console.watch.from_bench import rules_for
from console.watch.rule import Batch, Rule, standing


class Watch:
    """Rules over one run: a fold from batches to findings.

    Args:
        rules: what must hold.
        start_ns: when the run began; None: with its first event.
    """

    def __init__(self, rules: Iterable[Rule], start_ns: int | None = None) -> None:
        self._rules = list(rules)
        self._started = False
        self._start_ns = start_ns

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; return the findings that are complete, in time order."""
        if not self._started and not self._begin(batch):
            return []
        return in_order(found for rule in self._rules for found in rule.feed(batch))

    def standing(self, until_ns: int, rest: Batch | None = None) -> list[Finding]:
        """What else would be found if the run ended at `until_ns`, in time order.

        Args:
            until_ns: the end.
            rest: what is known up to then and was not fed yet.
        """
        return in_order(standing(self._rules, until_ns, rest)) if self._started else []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return the findings that last to the end of the run, in time order."""
        if not self._started:
            self._start(until_ns)
        return in_order(found for rule in self._rules for found in rule.finish(until_ns))

    def _begin(self, batch: Batch) -> bool:
        """Begin with the first event; whether there is one yet."""
        firsts = [int(f[time_column(n)][0]) for n, f in batch.tables.items() if f.height]
        if not firsts and self._start_ns is None:
            return False
        self._start(min(firsts, default=batch.until_ns))
        return True

    def _start(self, first_ns: int) -> None:
        self._started = True
        for rule in self._rules:
            rule.begin(first_ns if self._start_ns is None else self._start_ns)


def watched(
    bench: Bench,
    tables: Mapping[str, pl.DataFrame],
    start_ns: int,
    until_ns: int,
    observed_until: Mapping[str, int] | None = None,
    unobserved: Mapping[str, Unobserved] | None = None,
    *,
    off_axis: Collection[str] = (),
    defaults: bool = True,
) -> list[Finding]:
    """What the rules of a bench find in a whole run.

    Args:
        bench: `Bench()` for loose files.
        tables: the event tables on the common axis, each sorted by its first column.
        start_ns: when the run began.
        until_ns: when it ended.
        observed_until: until when each source was watched; needed to tell a target that is no
            longer asked from a capture that ended.
        unobserved: of each source the spans in which it may have missed something.
        off_axis: sources whose times mean nothing beside those of others.
        defaults: whether the default rules are added to those of the bench.

    Returns:
        Findings in time order.
    """
    packets = tables.get("packets")
    described = [] if packets is None else packets["device"].unique().drop_nulls().to_list()
    watch = Watch(rules_for(bench, described=described, defaults=defaults), start_ns)
    known = observed_until or {}, unobserved or {}, off_axis, published_in(tables)
    found = watch.feed(Batch(tables, until_ns, *known))
    return in_order(found + watch.finish(until_ns))

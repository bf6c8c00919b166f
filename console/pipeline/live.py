"""Watching while recording: from the records of all sources to findings, as they come.

A recorder feeds records and calls `until` from a timer, at least once a second; what is found of a
stored run comes out the same, for everything depends on the records and their stamps alone (see
`live_source.py`), and rules find the same however a run is cut. Rows are judged `HOLD_NS` after
they came: until then a line may get its end, or a loss be told. What would be found if the run
ended now does not wait for that, so a silence is told at the first call after its limit.

What is on the wires is known only when a capture joins the run, so rules about it are not watched.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import msgspec
import polars as pl

from console.bench.model import Bench
from console.bench.rules import Cadence, Limits, Pattern, ReplyWithin, Rule, Sequence
from console.bench.tables import time_column
from console.pipeline.live_observed import HOLD_NS
from console.pipeline.live_source import SourceFold, host_clock, host_times
from console.sources.records import Record
from console.timeline.clocks import ClockMap
from console.timeline.tables.print_tables import prints_frame
from console.trust.unobserved import Unobserved
from console.watch.findings import Finding, in_order
from console.watch.from_bench import rules_for
from console.watch.raised import Raising
from console.watch.rule import Batch
from console.watch.watching import Watch

LIVE_TABLES = ("prints", "messages", "happenings")


@dataclass(frozen=True, slots=True)
class Step:
    """What one call of `until` or `finish` came to."""

    rows: Mapping[str, pl.DataFrame] = field(default_factory=dict)  # final, by table; all later
    # than those of the last step, sorted; on the host's clock, ns since 1970
    complete: list[Finding] = field(default_factory=list)  # for good, each given once
    standing: list[Finding] = field(default_factory=list)  # what else the run has if it ends now
    raised: list[Finding] = field(default_factory=list)  # of both, what no step before had


class LiveFold:
    """A fold from records to rows and findings; memory is bounded by a second of rows.

    Args:
        bench: whose sources and rules.
        start_ns: when recording began, on the host's clock.
        defaults: whether the default rules are added to those of the bench.

    Attributes:
        unwatched: rules of the bench that need a capture.
        late: records that came stamped earlier than the last `until`; they are judged all the same,
            but as if stamped then.
    """

    def __init__(
        self,
        bench: Bench,
        start_ns: int,
        *,
        defaults: bool = True,
    ) -> None:
        self._bench = {source.name: source for source in bench.sources}
        self._sources: dict[str, SourceFold] = {}
        live = [rule for rule in bench.rules if is_live(rule)]
        self.unwatched = [rule for rule in bench.rules if not is_live(rule)]
        rules = rules_for(
            msgspec.structs.replace(bench, rules=live), defaults=defaults, wires=False
        )
        self._watch = Watch(rules, start_ns)
        self._raising = Raising()
        self._clocks: dict[str, ClockMap] = {}
        self._pending: dict[str, list[tuple[str, pl.DataFrame]]] = {}  # (source, rows) by table
        self._told_ns = start_ns  # of the last `until`
        self._judged_ns = start_ns - HOLD_NS  # what is earlier was fed to the rules
        self.late = 0
        for name in self._bench:
            self._source(name)

    def feed(self, records: Iterable[Record]) -> None:
        """Take records; those of one source in order, of several as they come."""
        for record in records:
            in_order = self._source(record.source).feed(record, self._told_ns)
            self.late += not in_order

    def until(self, now_ns: int, *, standing: bool = True) -> Step:
        """Judge what is known; a timer calls this, whether anything came or not.

        Args:
            now_ns: nothing stamped earlier is still to be fed. A recorder that takes records from
                threads gives a time some 50 ms back: by then what is stamped earlier is there.
            standing: whether it is asked what would be found if the run ended now; without that
                a stored run is gone through faster.
        """
        now_ns = self._told_ns = max(now_ns, self._told_ns)
        for source in self._sources.values():
            source.release(now_ns)
        self._gather()
        self._judged_ns = max(self._judged_ns, now_ns - HOLD_NS)
        rows = self._rows_before(self._judged_ns)
        complete = self._banded(self._watch.feed(self._batch(rows, self._judged_ns - 1)))
        if not standing:
            return Step(rows, complete, raised=self._raising.new(complete))
        rest = self._batch(self._sorted(self._with_held()), now_ns)
        stands = self._banded(self._watch.standing(now_ns, rest))
        return Step(rows, complete, stands, self._raising.new([*complete, *stands]))

    def finish(self, until_ns: int) -> Step:
        """The run ends: what is left, and what lasts to its end; feed nothing after this.

        Args:
            until_ns: until when it was observed.
        """
        until_ns = max(until_ns, self._told_ns)
        for source in self._sources.values():
            source.release(until_ns)
            source.finish()
        self._gather()
        rows = self._sorted(self._pending)
        self._pending.clear()
        found = self._watch.feed(self._batch(rows, until_ns)) + self._watch.finish(until_ns)
        complete = self._banded(in_order(found))
        return Step(rows, complete, raised=self._raising.new(complete))

    def unobserved(self) -> dict[str, Unobserved]:
        """Of each source the spans in which it was not observed, or lost something."""
        return {name: source.observed.spans() for name, source in self._sources.items()}

    def _source(self, name: str) -> SourceFold:
        found = self._sources.get(name)
        if found is None:
            found = self._sources[name] = SourceFold(name, self._bench.get(name))
        return found

    def _gather(self) -> None:
        """Take what the sources have given, by table."""
        for name, source in self._sources.items():
            clock = self._clocks.get(name)
            if clock is None or clock.band_ns != source.band_ns:
                clock = self._clocks[name] = host_clock(name, source.band_ns)
            for table, frame in source.take().frames(name, clock).items():
                self._pending.setdefault(table, []).append((name, frame))

    def _with_held(self) -> dict[str, list[tuple[str, pl.DataFrame]]]:
        """What waits to be judged, and lines that are held: they came, so nothing was silent."""
        found = {table: list(parts) for table, parts in self._pending.items()}
        for name, source in self._sources.items():
            held = source.held()
            if held is not None and len(held):
                frame = prints_frame(held, host_times(held), name, self._clocks[name])
                found.setdefault("prints", []).append((name, frame))
        return found

    def _rows_before(self, t_ns: int) -> dict[str, pl.DataFrame]:
        """Rows earlier than that, sorted; they are kept no longer."""
        ready: dict[str, list[tuple[str, pl.DataFrame]]] = {}
        for table, parts in self._pending.items():
            time = time_column(table)
            rest = []
            for name, frame in parts:
                split = int(frame[time].search_sorted(t_ns, side="left"))
                if split:
                    ready.setdefault(table, []).append((name, frame.head(split)))
                if split < frame.height:
                    rest.append((name, frame.tail(frame.height - split)))
            self._pending[table] = rest
        return self._sorted(ready)

    def _sorted(
        self, parts: Mapping[str, list[tuple[str, pl.DataFrame]]]
    ) -> dict[str, pl.DataFrame]:
        """Rows of all sources by time; at one time by the order of the sources."""
        order = {name: k for k, name in enumerate(self._sources)}
        found = {}
        for table, given in parts.items():
            if given:
                frames = [frame for _, frame in sorted(given, key=lambda part: order[part[0]])]
                joined = pl.concat(frames, how="vertical_relaxed")
                found[table] = joined.sort(time_column(table), maintain_order=True)
        return found

    def _batch(self, rows: Mapping[str, pl.DataFrame], until_ns: int) -> Batch:
        watched = dict.fromkeys(self._sources, until_ns)
        return Batch(rows, until_ns, watched, self.unobserved())

    def _banded(self, found: Iterable[Finding]) -> list[Finding]:
        return [banded(finding, self._clocks) for finding in found]


def is_live(rule: Rule) -> bool:
    """Whether a rule asks only for what ports and brokers give."""
    match rule:
        case Limits() | Cadence() | Sequence() | Pattern():
            return rule.table in LIVE_TABLES
        case ReplyWithin():
            return rule.request_table in LIVE_TABLES and rule.reply_table in LIVE_TABLES
    return False


def banded(finding: Finding, clocks: Mapping[str, ClockMap]) -> Finding:
    """The finding with how well its time is known in its evidence, where one source tells it."""
    clock = clocks.get(finding.source)
    band = None if clock is None else clock.band_at(finding.t_ns)
    if band is None:
        return finding
    return replace(finding, evidence={**finding.evidence, "band_ns": band})

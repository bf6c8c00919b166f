"""What the screens show of one run: its evidence, indexed, and the words for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.load import BenchFile
from console.bench.model import Bench
from console.pipeline.evidence import Evidence
from console.pipeline.linking import linked
from console.timeline.buckets import Answers, Buckets, answers_of, buckets_of, usual_width_ns
from console.timeline.events import EVENT_TABLES, GOOD, Events, events_of
from console.timeline.links.index import LinkIndex
from console.timeline.parties import Parties, parties_of
from console.timeline.words import event_row, event_words
from console.trust.unobserved import Unobserved
from console.watch.findings import SEVERITIES, Finding

YEAR_2001_NS = 978_307_200 * 10**9  # stamps from here on tell the date
RIBBON_BINS = 2_048  # of the whole run; the ribbon has at most as many columns
WIDTHS_KEPT = 3  # widths of buckets whose counts are kept
_EVER = 2**62


@dataclass(frozen=True, slots=True)
class Held:
    """The part of a recorded run of which events are here; the ribbon shows the whole."""

    span_ns: tuple[int, int]
    is_newest: bool  # it ends where the run ends, or ended when this was made
    grows: bool  # the run is being recorded


@dataclass(slots=True, eq=False)
class RunView:
    """One run as the screens need it. Nothing in it changes but caches."""

    evidence: Evidence
    bench: Bench
    file: BenchFile | None
    parties: Parties
    events: Events
    tables: Mapping[str, pl.DataFrame]
    fine: Buckets  # the whole run in `RIBBON_BINS`, for the ribbon
    sources_of_bus: Mapping[str, str]
    links: LinkIndex
    unseen: Mapping[int, Unobserved]  # of parties the spans in which nothing was observed of them
    wall_ns: int | None  # what to add to a time to be ns since 1970 UTC; None: no clock tells
    held: Held | None = None  # None: every event of the run is here
    _buckets: dict[int, tuple[Buckets, Answers]] = field(default_factory=dict)

    @property
    def span_ns(self) -> tuple[int, int]:
        """The span of which events are here."""
        return (self.start_ns, self.end_ns) if self.held is None else self.held.span_ns

    @property
    def start_ns(self) -> int:
        """Where the run begins on the common axis."""
        return self.evidence.start_ns

    @property
    def end_ns(self) -> int:
        """Where it ends."""
        return self.evidence.end_ns

    def words(self, k: int) -> str:
        """Event k in a few words, not cleaned."""
        return event_words(*event_row(self.tables, self.events, k))

    def source(self, k: int) -> str:
        """The source that saw event k; "" where several did."""
        table = EVENT_TABLES[int(self.events.table[k])]
        row = int(self.events.row[k])
        frame = self.tables[table]
        if "source" in frame.columns:
            return str(frame.get_column("source")[row])
        if "bus" in frame.columns:
            return self.sources_of_bus.get(str(frame.get_column("bus")[row]), "")
        if "device" in frame.columns:
            bus = self.bus_of_device(str(frame.get_column("device")[row]))
            return self.sources_of_bus.get(bus, "")
        return ""

    def bus_of_device(self, device: str) -> str:
        """The bus a device is on; the only one there is where the bench does not say."""
        found = next((each.bus for each in self.bench.devices if each.name == device), "")
        return found or next(iter(self.sources_of_bus), "")

    def band_ns(self, k: int) -> int:
        """Half-width within which the time of event k is known; -1 where not at all."""
        table = self.tables[EVENT_TABLES[int(self.events.table[k])]]
        if "band_ns" not in table.columns:
            return 0
        band = table.get_column("band_ns")[int(self.events.row[k])]  # no expression: 2 us, not 200
        return -1 if band is None else int(band)

    def buckets_of_some(
        self, keep: npt.NDArray[np.bool_], like: Buckets
    ) -> tuple[Buckets, Answers]:
        """Some of the events in buckets as wide as others; what was answered is not told of them.

        Args:
            keep: bool[n] which events are counted.
            like: the buckets of all events.
        """
        events = Events(*(getattr(self.events, c.name)[keep] for c in fields(Events)))
        count = len(self.parties.every)
        end_ns = like.first_ns + len(like) * like.width_ns - 1
        buckets = buckets_of(events, count, like.first_ns, end_ns, like.width_ns)
        return buckets, answers_of(self.tables["exchanges"].clear(), {}, buckets, count)

    def resolution_ns(self, source: str) -> int:
        """The last digit of a source's stamps: of a sampled capture its sample period."""
        trust = self.tables["trust"]
        told = trust.filter(
            (pl.col("source") == source)
            & pl.col("kind").is_in(["sampling", "coarse-sampling"])
            & (pl.col("unit") == "ns")
        )["value"].max()
        return max(1, round(told)) if isinstance(told, float) else 1

    def buckets(self, width_ns: int) -> tuple[Buckets, Answers]:
        """The run in buckets of a width, counted once."""
        if width_ns not in self._buckets:
            while len(self._buckets) >= WIDTHS_KEPT:
                del self._buckets[next(iter(self._buckets))]
            count = len(self.parties.every)
            begin, end = self.span_ns
            begin -= (begin - self.start_ns) % width_ns  # borders stay where they are as it moves
            buckets = buckets_of(self.events, count, begin, end, width_ns)
            devices = dict(self.parties.by_device)
            answers = answers_of(self.tables["exchanges"], devices, buckets, count)
            self._buckets[width_ns] = buckets, answers
        return self._buckets[width_ns]

    def usual_width_ns(self) -> int:
        """The width of buckets a run opens with."""
        return usual_width_ns(*self.span_ns)

    def gravest(self) -> Finding | None:
        """The finding the story is about: the gravest; a party that stopped before others."""
        return min(
            self.evidence.findings,
            key=lambda f: (SEVERITIES.index(f.severity), f.rule != "stops-answering", f.t_ns),
            default=None,
        )

    def event_of(self, finding: Finding) -> int:
        """The event a finding begins with: the first bad one of its party there, or the nearest."""
        party = self.parties.of_finding(finding.party)
        low = int(np.searchsorted(self.events.t_ns, finding.t_ns))
        high = int(np.searchsorted(self.events.t_ns, finding.t_ns, side="right"))
        own = np.arange(low, high)
        if party is not None:
            own = own[self.events.party[low:high] == party]
        if not len(own):
            return self.events.at(finding.t_ns)
        return int(own[np.argmax(self.events.state[own] != GOOD)])


def view_of(
    evidence: Evidence, bench: Bench, file: BenchFile | None, *, with_links: bool = True
) -> RunView:
    """Index a run for the screens; links are found here, unless they are among its tables.

    Args:
        evidence: the run.
        bench: what it is of.
        file: the bench file, where there is one.
        with_links: whether to look for links; without, a run of millions is there at once.
    """
    tables = dict(evidence.tables)
    parties = parties_of(tables, bench)
    if with_links and "links" not in tables:
        tables["links"] = linked(evidence, parties)
    events = events_of(tables, parties)
    fine_ns = max(1, -(-(evidence.end_ns + 1 - evidence.start_ns) // RIBBON_BINS))
    fine = buckets_of(events, len(parties.every), evidence.start_ns, evidence.end_ns, fine_ns)
    buses = {bus.name: report.name for report in evidence.sources for bus in report.buses}
    return RunView(
        evidence=evidence,
        bench=bench,
        file=file,
        parties=parties,
        events=events,
        tables=tables,
        fine=fine,
        sources_of_bus=buses,
        links=LinkIndex(tables.get("links")),
        unseen=_unseen(evidence, parties, bench, buses),
        wall_ns=_wall_ns(evidence),
    )


def _unseen(
    evidence: Evidence, parties: Parties, bench: Bench, buses: Mapping[str, str]
) -> dict[int, Unobserved]:
    """The gaps of the trust sheet by party; of one that several sources tell of, what all miss."""
    sources: dict[int, set[str]] = {}
    seen_by = [(parties.by_source.get(each.name), each.name) for each in evidence.sources]
    seen_by += [(party, buses.get(bus, "")) for bus, party in parties.by_bus.items()]
    seen_by += [(party, buses.get(bus, "")) for (bus, _), party in parties.by_address.items()]
    for device in bench.devices:
        seen_by.append((parties.by_device.get(device.name), buses.get(device.bus, "")))
    for party, source in seen_by:
        if party is not None:
            sources.setdefault(party, set()).add(source)
    rows = evidence.tables["trust"].filter(pl.col("severity") == "gap")
    gaps: dict[str, list[tuple[int, int]]] = {}
    for source, begin, end in rows.select("source", "from_ns", "until_ns").iter_rows():
        begin = -_EVER if begin is None or begin <= evidence.start_ns else begin
        end = _EVER if end is None or end >= evidence.end_ns else end
        gaps.setdefault(source, []).append((begin, end))
    return {
        party: Unobserved.of(_shared([gaps.get(source, []) for source in names]))
        for party, names in sources.items()
    }


def _shared(spans: Sequence[list[tuple[int, int]]]) -> list[tuple[int, int]]:
    """Stretches that lie in a span of each of some lists."""
    found = spans[0]
    for others in spans[1:]:
        found = [
            (max(a, c), min(b, d)) for a, b in found for c, d in others if max(a, c) < min(b, d)
        ]
    return found


def _wall_ns(evidence: Evidence) -> int | None:
    """How far the axis is from ns since 1970, by the first source that stamps by the wall clock."""
    for clock in evidence.clocks.values():
        piece = clock.pieces[0]
        native = piece.from_ns - piece.offset_ns
        if piece.is_aligned and native > YEAR_2001_NS:
            return -piece.offset_ns
    return None

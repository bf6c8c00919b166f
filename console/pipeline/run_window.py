"""A part of a stored run as evidence: its newest rows while it grows, or those around a moment.

A run of a week has more events than fit in memory, so a screen has a part of it: rows decoded from
the records of some span, and what is known of the whole (its span, its findings as they were
raised). Decoding begins a little before the part, so that its first lines are whole.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from console.bench.load import BenchFile
from console.bench.model import Bench, Source
from console.bench.tables import time_column
from console.pipeline.evidence import Evidence, SourceReport
from console.pipeline.live_source import SourceFold, host_clock, host_times
from console.pipeline.tables import empty_tables
from console.run.bench_texts import bench_of
from console.run.rows import Raised, StoredSource
from console.run.stored import StoredRun
from console.sources.records import Happened, Record
from console.timeline.alignment.anchors import Anchors
from console.timeline.clocks import ClockMap, clocks_frame
from console.timeline.tables.print_tables import prints_frame
from console.trust.sheet import TrustRow, trust_frame
from console.watch.findings import Finding, findings_frame
from decoders.errors import DescriptionError

MOST_RECORDS = 50_000  # of which a part is made
LEAD_NS = 2_000_000_000  # decoded before it, and not shown
_SHOWN = ("prints", "messages", "happenings")  # tables that records make


@dataclass(frozen=True, slots=True)
class Part:
    """Some of a run, decoded."""

    evidence: Evidence  # its span is that of the whole run
    held_ns: tuple[int, int]  # the span of which rows are here


class RunTail:
    """The newest rows of a run, also while it is being recorded: a fold over its records.

    Args:
        run: opened; read by one thread.
        most: records to begin with, and rows of a table that are kept.
        happened: takes what happens to sources, as it is read.
    """

    def __init__(
        self,
        run: StoredRun,
        most: int = MOST_RECORDS,
        happened: Callable[[Happened], object] = lambda _happened: None,
    ) -> None:
        self.file = bench_file_of(run)
        self._run, self._most, self._happened = run, most, happened
        self._rows = Decoded(self.file.bench)
        self._seq = max(run.last_seq() - most, 0)
        self._is_whole = self._seq == 0  # nothing was left out at its beginning

    def take(self) -> bool:
        """Decode what has been stored since the last call; whether there are more rows by it.

        Raises:
            RunError: when the run cannot be reached any more.
        """
        for seq, record in self._run.records_after(self._seq):
            self._rows.feed(record)
            self._seq = seq
            if isinstance(record, Happened):
                self._happened(record)
        span, held = self._run.span_ns(), self._rows.held
        more = span is not None and self._rows.release(span[1] + 1)
        if self._rows.trim(self._most):
            self._is_whole = False
        return more or self._rows.held != held

    def part(self) -> Part:
        """What is held now."""
        span = self._run.span_ns() or (0, 0)
        begin = span[0] if self._is_whole else max(self._rows.first_ns(span[1]), span[0])
        return _part(self._run, self.file, self._rows, (begin, span[1]))


def part_around(run: StoredRun, t_ns: int, most: int = MOST_RECORDS) -> Part:
    """The rows around a moment, about as many before as after it.

    Raises:
        RunError: when the run cannot be reached any more.
    """
    file = bench_file_of(run)
    span = run.span_ns() or (0, 0)
    begin, end = _around(run, t_ns, most, span)
    rows = Decoded(file.bench)
    before: deque[Record] = deque(maxlen=most)
    after = 0
    for record in run.records(None, begin - LEAD_NS, end + 1):
        if record.t_ns < t_ns:
            if len(before) == most:  # a bucket alone holds more
                begin = before[0].t_ns
            before.append(record)
            continue
        while before:
            rows.feed(before.popleft())
        rows.feed(record)
        after += 1
        if after == most:
            end = record.t_ns
            break
    for record in before:
        rows.feed(record)
    rows.finish()
    rows.cut(begin, end)
    return _part(run, file, rows, (max(begin, span[0]), min(end, span[1])))


def bench_file_of(run: StoredRun) -> BenchFile:
    """The bench that a run was recorded by; an empty one when this version cannot read it."""
    try:
        found = bench_of(run.texts(), Path(run.path.parent))
    except DescriptionError:
        found = None
    return found or BenchFile(Bench())


class Decoded:
    """Records of all sources, decoded to rows of tables on the host's clock.

    Args:
        bench: whose sources they are.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench: dict[str, Source] = {source.name: source for source in bench.sources}
        self._sources: dict[str, SourceFold] = {}
        self._frames: dict[str, list[pl.DataFrame]] = {}

    def feed(self, record: Record) -> None:
        """Take the next record."""
        source = self._sources.get(record.source)
        if source is None:
            source = SourceFold(record.source, self._bench.get(record.source))
            self._sources[record.source] = source
        source.feed(record)

    def release(self, now_ns: int) -> bool:
        """Have rows of what was held; nothing stamped earlier is to come. Whether there are any."""
        for source in self._sources.values():
            source.release(now_ns)
        return self._take()

    def finish(self) -> None:
        """Have rows of all that is held."""
        for source in self._sources.values():
            source.finish()
        self._take()

    def trim(self, most: int) -> bool:
        """Keep so many rows of a table at most, the newest; whether any was left out."""
        borders = [
            int(frame[time_column(name)][-most - 1])
            for name, frame in self.tables().items()
            if frame.height > most
        ]
        if not borders:
            return False
        self.cut(max(borders) + 1, 2**62)
        return True

    def cut(self, from_ns: int, until_ns: int) -> None:
        """Keep rows from a time until another, both included."""
        for name, frame in self.tables().items():
            time = pl.col(time_column(name))
            self._frames[name] = [frame.filter(time.is_between(from_ns, until_ns))]

    def first_ns(self, otherwise: int) -> int:
        """The time of the first row."""
        tables = self.tables()
        firsts = [int(f[time_column(n)][0]) for n, f in tables.items() if f.height]
        return min(firsts, default=otherwise)

    @property
    def held(self) -> int:
        """How many lines are held back by now: their stamps or their ends are still to be told."""
        return sum(frame.height for frame in self._held_frames())

    def tables(self, *, whole: bool = False) -> dict[str, pl.DataFrame]:
        """The rows by table, in order of time.

        Args:
            whole: with the lines that are held back, as they would be if nothing more came.
        """
        found = self._settled()
        held = self._held_frames() if whole else []
        if held:
            prints = [found["prints"]] if "prints" in found else []
            joined = pl.concat([*prints, *held], how="vertical_relaxed")
            found["prints"] = joined.sort(time_column("prints"), maintain_order=True)
        return found

    def _held_frames(self) -> list[pl.DataFrame]:
        found = []
        for name, source in self._sources.items():
            held = source.held()
            if held is not None and len(held):
                clock = host_clock(name, source.band_ns)
                found.append(prints_frame(held, host_times(held), name, clock))
        return found

    def _settled(self) -> dict[str, pl.DataFrame]:
        found = {}
        for name, frames in self._frames.items():
            if len(frames) > 1:
                whole = pl.concat(frames, how="vertical_relaxed")
                self._frames[name] = [whole.sort(time_column(name), maintain_order=True)]
            found[name] = self._frames[name][0]
        return found

    def clocks(self, span: tuple[int, int]) -> dict[str, ClockMap]:
        """The clock of every source: the host's, late by its band at most."""
        found = {}
        for name, source in self._sources.items():
            (piece,) = host_clock(name, source.band_ns).pieces
            found[name] = ClockMap((replace(piece, from_ns=span[0], until_ns=span[1]),))
        return found

    def unobserved(self, span: tuple[int, int]) -> list[TrustRow]:
        """Where in a span sources were not observed."""
        rows = []
        for name, source in self._sources.items():
            spans = source.observed.spans()
            begins = np.maximum(spans.from_ns, span[0]).tolist()
            ends = np.minimum(spans.until_ns, span[1]).tolist()
            for begin, end in zip(begins, ends, strict=True):
                if begin < end:
                    rows.append(TrustRow(name, begin, end, "not-observed", "gap", _GONE))
        return rows

    def _take(self) -> bool:
        found = False
        for name, source in self._sources.items():
            clock = host_clock(name, source.band_ns)
            for table, frame in source.take().frames(name, clock).items():
                self._frames.setdefault(table, []).append(frame)
                found = True
        return found


_GONE = "not connected, or data of it were lost"


def _around(run: StoredRun, t_ns: int, most: int, span: tuple[int, int]) -> tuple[int, int]:
    """A span around a moment with at least half so many records on either side, where there are.

    It begins and ends with buckets of the run's own counts.
    """
    counts = run.counts()
    buckets, where = np.unique(counts.bucket_ns, return_inverse=True)
    if not len(buckets):
        return span
    records = np.bincount(where, counts.records).astype(np.int64)
    sums = np.concatenate([[0], np.cumsum(records)])  # before each bucket, and all
    own = int(np.searchsorted(buckets, t_ns, side="right")) - 1  # the bucket it lies in or behind
    own = max(own, 0)
    low = int(np.searchsorted(sums, sums[own] - most // 2, side="right")) - 1
    high = int(np.searchsorted(sums, sums[own + 1] + most // 2, side="left"))
    begin = span[0] if low <= 0 else int(buckets[low])
    end = span[1] if high >= len(buckets) else int(buckets[high]) - 1
    return min(begin, t_ns), max(end, t_ns)


def _part(run: StoredRun, file: BenchFile, rows: Decoded, held: tuple[int, int]) -> Part:
    span = run.span_ns() or held
    stored = {source.name: source for source in run.sources()}
    decoded = rows.tables(whole=True)
    clocks = rows.clocks(held)
    findings = [finding_of(raised) for raised in run.findings()]
    tables = {**empty_tables(), **decoded}
    tables["findings"] = findings_frame(findings)
    tables["trust"] = trust_frame(rows.unobserved(held))
    tables["clocks"] = clocks_frame(list(clocks.values()))
    evidence = Evidence(
        name=run.name,
        sources=_reports(stored.values(), decoded),
        clocks=clocks,
        anchors={name: Anchors.none(name) for name in clocks},
        tables=tables,
        findings=findings,
        start_ns=span[0],
        end_ns=span[1],
        interrupted=False,
    )
    return Part(evidence, held)


def _reports(
    sources: Iterable[StoredSource], tables: Mapping[str, pl.DataFrame]
) -> Sequence[SourceReport]:
    """What the run holds of each source; events are those decoded here."""
    counts: dict[str, int] = {}
    for name in ("prints", "messages"):
        if name in tables:
            for source, count in tables[name].group_by("source").len().iter_rows():
                counts[source] = counts.get(source, 0) + count
    kinds = {"capture": "capture", "messages": "messages"}
    return [
        SourceReport(
            name=each.name,
            kind=kinds.get(each.kind, "prints"),  # type: ignore[arg-type]
            files=[each.place],
            events=counts.get(each.name, 0),
            first_ns=each.first_ns,
            last_ns=each.last_ns,
            assumed=[],
            stopped=None,
            buses=[],
        )
        for each in sources
    ]


def finding_of(raised: Raised) -> Finding:
    """A finding, as a run keeps it."""
    try:
        evidence = json.loads(raised.evidence)
    except ValueError:
        evidence = {}
    return Finding(
        raised.t_ns,
        raised.rule,
        raised.severity if raised.severity in ("fault", "warning") else "note",  # type: ignore[arg-type]
        raised.party,
        raised.source,
        raised.summary,
        evidence if isinstance(evidence, dict) else {},
    )

"""One source as it was read, and what of it goes into the alignment: its clock and its values."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.conditions import condition
from console.bench.model import Bench
from console.pipeline.capture_stage import CaptureStage
from console.pipeline.inputs import Input
from console.pipeline.log_stages import MessageStage, PrintStage
from console.pipeline.network_stage import NetworkStage
from console.pipeline.serial_lines import OnTheWire
from console.pipeline.stored_stage import RecordedStage
from console.timeline.alignment.byte_series import byte_series
from console.timeline.alignment.series import Series, json_series, print_series, same_series
from console.timeline.alignment.ties import SourceClock
from console.timeline.clocks import ClockMap
from console.timeline.tables.print_tables import ExactTimes, PrintTimes
from console.watch.findings import Finding
from decoders.errors import DiagnosticError
from decoders.prints.columns import Prints

FileStage = CaptureStage | PrintStage | MessageStage | NetworkStage
Stage = FileStage | RecordedStage
Int64s = npt.NDArray[np.int64]

LEAST_TRANSACTIONS = 20  # fewer do not tell what is usual
SILENT_TIMES = 1.5  # longer than the usual pause between polls: the board was away
SILENT_NS = 50_000_000
_YEAR_2001_NS = 978_307_200 * 10**9


@dataclass(slots=True)
class ReadSource:
    """One source, read; its rows still on its own clock."""

    input: Input
    stage: Stage
    tables: dict[str, list[pl.DataFrame]] = field(default_factory=dict)  # but for prints
    prints: Prints | None = None
    print_times: PrintTimes | None = None
    stopped: DiagnosticError | None = None  # why it was not read to its end
    wired: OnTheWire | None = None  # the lines of a log that a capture saw being sent
    heard: Sequence[tuple[str, Prints]] = ()  # of a capture: the text of UARTs that no log has
    remarks: list[str] = field(default_factory=list)  # what other sources tell of it

    @property
    def name(self) -> str:
        """The source's name."""
        return self.input.source.name

    @property
    def is_described(self) -> bool:
        """Whether any packet of it was described, so that its values have names."""
        return any(frame.height for frame in self.tables.get("packets", ()))


def clock_of(each: ReadSource) -> SourceClock:
    """What is known of a source's clock before it is aligned."""
    stage = each.stage
    if isinstance(stage, CaptureStage):
        ends = [] if stage.first_ns is None else [stage.first_ns, stage.last_ns or 0]
        clock = _one_epoch(each.name, "capture", 0, np.array(ends, np.int64))
        return replace(clock, quiet_ns=_quiet_ns(each.tables.get("transactions", ())))
    if each.print_times is not None:
        times = each.print_times
        native = np.where(times.timed, times.native_ns, 0)
        clock = SourceClock(each.name, times.clock, 1, native, times.epoch, times.is_wall)
    elif isinstance(stage, NetworkStage):
        clock = _one_epoch(each.name, "host", 2, stage.native_ns())
    else:
        clock = _one_epoch(each.name, "host", 2, each.tables["messages"][0]["t_ns"].to_numpy())
    return replace(clock, late_ns=stage.late_ns) if isinstance(stage, RecordedStage) else clock


def _quiet_ns(tables: Sequence[pl.DataFrame]) -> Int64s:
    """Spans in which all buses of a capture were silent for far longer than they usually are."""
    spans = pl.concat([t.select("start_ns", "end_ns") for t in tables]) if tables else None
    if spans is None or spans.height < LEAST_TRANSACTIONS:
        return np.empty((0, 2), np.int64)
    start, end = spans.sort("start_ns").get_columns()
    since = end.cum_max().to_numpy()[:-1]
    until = start.to_numpy()[1:]
    gaps = until - since
    usual = np.median(gaps[gaps >= np.median(gaps)])  # between polls, not within one
    long = gaps > max(SILENT_TIMES * usual, SILENT_NS)
    return np.stack([since[long], until[long]], axis=1)


def _one_epoch(name: str, clock: str, rank: int, native_ns: Int64s) -> SourceClock:
    is_wall = bool(len(native_ns)) and int(native_ns.min()) > _YEAR_2001_NS
    return SourceClock(name, clock, rank, native_ns, np.zeros_like(native_ns), is_wall)


def series_of(each: ReadSource, read: Sequence[ReadSource], bench: Bench) -> list[Series]:
    """The recurring values of a source that may stand in another one too.

    Args:
        each: the source.
        read: all sources; a capture has the lines of the logs that were found on its wires.
        bench: which events the user named as the same moments.
    """
    found = _mark_series(each, bench)
    if each.prints is not None and each.print_times is not None:
        return found + _log_series(each.name, each.prints, each.print_times, each.wired)
    for log in read:
        if log.wired is not None and log.wired.capture == each.name:
            rows, keys = _numbered(log.name, len(log.wired.rows))
            found.append(same_series(each.name, log.name, log.wired.start_ns, rows, keys, "line"))
    if isinstance(each.stage, CaptureStage) and not each.is_described:
        for bus in each.stage.buses:
            found += byte_series(each.name, bus.columns()[0])
    for table, kind, time in (("messages", "topic", "t_ns"), ("packets", "packet", "end_ns")):
        for frame in each.tables.get(table, ()):
            t_ns, row = frame[time].to_numpy(), np.arange(frame.height)
            if isinstance(each.stage, NetworkStage):
                row = each.stage.once()
                t_ns, frame = t_ns[row], frame[row]
            found += json_series(each.name, t_ns, row, frame[kind], frame["fields"])
    return found


def _mark_series(each: ReadSource, bench: Bench) -> list[Series]:
    """The moments the user named; all of one name have one key, so that their gaps pair them."""
    found = []
    if isinstance(each.stage, CaptureStage):
        for mark, edges in each.stage.marks:
            found.append(_mark(each.name, mark.name, edges.times_ns(), None))
        return found
    for mark in bench.marks:
        if mark.source == each.name and mark.where:
            table = "messages" if each.prints is None else "prints"
            frame = _rows_in_order(each)
            row = condition(mark.where, table).rows(frame)["row"].to_numpy()
            native = clock_of(each).native_ns
            found.append(_mark(each.name, mark.name, native[row], row))
    return found


def _mark(source: str, name: str, native_ns: Int64s, row: Int64s | None) -> Series:
    rows = np.arange(len(native_ns)) if row is None else row
    keys = np.full(len(native_ns), zlib.crc32(name.encode()), np.int64)
    return same_series(source, name, native_ns, rows, keys, "mark")


def _rows_in_order(each: ReadSource) -> pl.DataFrame:
    """A log's or recording's rows in its own order, with their numbers."""
    if each.prints is None or each.print_times is None:
        return each.tables["messages"][0].with_row_index("row")
    texts = pl.Series(each.prints.texts(), dtype=pl.String)
    frame = pl.DataFrame({"text": texts, "level": each.prints.level_words()})
    fields = pl.Series(each.prints.fields_json(), dtype=pl.String)
    return frame.with_columns(fields=fields).with_row_index("row")


def _log_series(
    name: str, prints: Prints, times: PrintTimes, wired: OnTheWire | None
) -> list[Series]:
    texts = pl.Series(prints.texts(), dtype=pl.String)
    row = np.flatnonzero(times.timed)
    found = print_series(name, times.native_ns[row], row, texts.gather(row))
    if wired is not None:
        _, keys = _numbered(name, len(wired.rows))
        timed = times.timed[wired.rows]
        at = wired.rows[timed]
        found.append(same_series(name, name, times.native_ns[at], at, keys[timed], "line"))
    return found


def _numbered(name: str, count: int) -> tuple[Int64s, Int64s]:
    """Rows and keys for the lines of a log: a number each, that no other log has."""
    rows = np.arange(count)
    return rows, rows + zlib.crc32(name.encode()) * 2**31


def segmented(each: ReadSource, clock: ClockMap) -> ClockMap:
    """The clock of a capture with a piece for each stretch that was observed.

    One file has one time base, so the pieces of its segments share offset, drift and band.
    """
    if not isinstance(each.stage, CaptureStage) or len(clock.pieces) != 1:
        return clock
    gaps = each.stage.coverage.gaps
    if not gaps:
        return clock
    (whole,) = clock.pieces
    ends = clock.common_ns(np.array([t for gap in gaps for t in gap], np.int64)).tolist()
    borders = [whole.from_ns, *ends, whole.until_ns]
    spans = zip(borders[::2], borders[1::2], strict=True)
    pieces = tuple(replace(whole, from_ns=a, until_ns=b) for a, b in spans)
    return replace(clock, pieces=pieces, piece_of=None)


def clock_of_table(stage: Stage, clock: ClockMap, name: str, t_ns: Int64s) -> ClockMap:
    """The clock of a source for the rows of one of its tables.

    The rows of a network capture's clock are its messages and its ends; what else happened is of
    the piece of the message before it.

    Args:
        stage: of the source.
        clock: of the source.
        name: of the table.
        t_ns: times of its rows.
    """
    if clock.piece_of is None or not isinstance(stage, NetworkStage):
        return clock
    messages = stage.columns().t_ns
    row = np.arange(len(t_ns))
    if name != "messages":
        row = np.searchsorted(np.maximum.accumulate(messages), t_ns, side="right") - 1
    return replace(clock, piece_of=clock.piece_of[np.clip(row, 0, None)])


def with_band(finding: Finding, maps: Mapping[str, ClockMap]) -> Finding:
    """The finding, with how well its time is known in its evidence where one source tells it."""
    band = maps[finding.source].band_at(finding.t_ns) if finding.source in maps else None
    if band is None:
        return finding
    return replace(finding, evidence={**finding.evidence, "band_ns": band})


def exact_times(wired: OnTheWire, maps: Mapping[str, ClockMap]) -> ExactTimes:
    """The times of a log's lines that were seen being sent, on the common axis."""
    clock = maps[wired.capture]
    bands = clock.bands_ns(wired.start_ns) + wired.bit_ns
    return ExactTimes(wired.rows, clock.common_ns(wired.start_ns), bands)

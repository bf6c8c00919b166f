"""The trust sheet of a run: what was noticed of each source while it was read, on one axis."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import polars as pl

from console.bench.model import PrintsSource, Source
from console.pipeline.capture_stage import CaptureStage
from console.pipeline.clocked import Stage, clock_of_table
from console.pipeline.log_stages import PrintStage
from console.pipeline.network_stage import NetworkStage
from console.pipeline.stored_stage import RecordedStage
from console.timeline.clocks import ClockMap
from console.timeline.tables.print_tables import PrintTimes
from console.trust.capture_trust import BusFacts, CaptureFacts, capture_rows
from console.trust.clock_trust import clock_rows
from console.trust.ends import ends_of_capture, ends_of_events
from console.trust.line_forms import heads_of
from console.trust.message_trust import MessageFacts, message_rows, retained_rows
from console.trust.print_trust import PrintFacts, print_rows
from console.trust.sheet import TrustRow
from console.trust.unobserved import Unobserved
from decoders.errors import DiagnosticError
from decoders.messages.columns import Messages
from decoders.prints.columns import Prints
from decoders.prints.ticks import Jump


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """One source, read, with its place on the axis and the run's span there."""

    source: Source
    stage: Stage
    clock: ClockMap
    stopped: DiagnosticError | None
    line_states: pl.DataFrame | None  # of a capture, on its own clock
    messages: pl.DataFrame | None  # the table of a recording, in its order
    prints: Prints | None
    times: PrintTimes | None
    start_ns: int
    end_ns: int
    unobserved: Unobserved | None = None  # what the recorder of it knows; None: nothing did


_OPENED_NS = 1_000_000_000  # until which a source may be opened at the start of a run unsaid


class _Logged(Protocol):
    """What is asked of the stage of a log."""

    @property
    def jumps(self) -> list[Jump]: ...
    @property
    def tick_period_ns(self) -> int: ...
    @property
    def taste(self) -> bytes: ...


class _Published(Protocol):
    """What is asked of the stage of a recording of messages."""

    @property
    def bad_lines(self) -> Sequence[tuple[int, str]]: ...
    @property
    def bad_count(self) -> int: ...
    def columns(self) -> Messages: ...


def trust_of(told: Told) -> Iterator[TrustRow]:
    """The rows of one source."""
    name, stage = told.source.name, told.stage
    yield from clock_rows(told.clock)
    if isinstance(stage, CaptureStage):
        yield from _capture(name, told, stage)
    elif isinstance(stage, PrintStage) or (isinstance(stage, RecordedStage) and told.prints):
        yield from _prints(name, told, stage)
    elif isinstance(stage, NetworkStage):
        yield from _network(name, told, stage)
    else:
        yield from _messages(name, told, stage)
    yield from _gone(name, told)
    if told.stopped is not None and not isinstance(stage, CaptureStage):
        what = f"not read on: {told.stopped.message}"
        last = max((piece.until_ns for piece in told.clock.pieces), default=None)
        yield TrustRow(name, last, None, "stopped", "gap", what)


def _capture(name: str, told: Told, stage: CaptureStage) -> Iterator[TrustRow]:
    facts = CaptureFacts(
        coverage=stage.coverage,
        widths=stage.widths,
        buses=[BusFacts(b.lines.name, b.scl, b.sda, b.cuts.found) for b in stage.buses],
        sample_period_ns=stage.reader.assumed.sample_period_ns,
        off_beat=stage.reader.assumed.off_beat,
        stopped=told.stopped.message if told.stopped else None,
        line_states=pl.DataFrame() if told.line_states is None else told.line_states,
        others=len(stage.serial) + len(stage.others),
    )
    for row in capture_rows(name, facts):
        yield replace(
            row,
            from_ns=_common(row.from_ns, told.clock),
            until_ns=_common(row.until_ns, told.clock),
        )
    first = _common(stage.coverage.first_ns, told.clock)
    last = _common(stage.coverage.last_ns, told.clock)
    if first is not None and last is not None and told.clock.is_aligned:
        band = told.clock.band_ns or 0
        yield from ends_of_capture(name, first, last, told.start_ns, told.end_ns, band)


def _gone(name: str, told: Told) -> Iterator[TrustRow]:
    """The spans in which a recorded source was not connected, or lost something."""
    if told.unobserved is None:
        return
    begins = np.maximum(told.unobserved.from_ns, told.start_ns).tolist()
    ends = np.minimum(told.unobserved.until_ns, told.end_ns).tolist()
    for begin, end in zip(begins, ends, strict=True):
        is_start = begin == told.start_ns and end - begin < _OPENED_NS
        if begin <= end and not is_start:
            what = "not connected, or data of it were lost"
            length = (end - begin) / 1e9
            yield TrustRow(name, begin, end, "not-observed", "gap", what, length, unit="s")


def _common(t_ns: int | None, clock: ClockMap) -> int | None:
    return None if t_ns is None else int(clock.common_ns(np.array([t_ns], np.int64))[0])


def _prints(name: str, told: Told, stage: _Logged) -> Iterator[TrustRow]:
    rows, times = told.prints, told.times
    if rows is None or times is None:
        return
    t_ns = told.clock.common_ns(np.where(times.timed, times.native_ns, 0))
    facts = PrintFacts(
        rows=rows,
        t_ns=t_ns,
        timed=times.timed,
        jumps=sorted(stage.jumps, key=lambda jump: jump.row),
        tick_period_ns=stage.tick_period_ns,
        heads=heads_of(_tasted(rows, stage.taste)),
        baud=told.source.baud if isinstance(told.source, PrintsSource) else None,
        read_late=told.unobserved is not None,
    )
    yield from print_rows(name, facts)
    if told.clock.is_aligned and told.unobserved is None:
        yield from ends_of_events(name, t_ns[times.timed], told.start_ns, told.end_ns)


def _tasted(rows: Prints, taste: bytes) -> list[tuple[str, str]]:
    """Whole lines at the beginning of the log, with the texts that were found in them."""
    ends = rows.at_byte + rows.line_bytes
    count = int(np.searchsorted(ends, len(taste), side="right"))
    return [
        (taste[rows.at_byte[k] : ends[k]].decode("utf-8", "backslashreplace"), rows.text(k))
        for k in range(count)
        if rows.stamped[k]
    ]


def _messages(name: str, told: Told, stage: _Published) -> Iterator[TrustRow]:
    if told.messages is None:
        return
    rows = stage.columns()
    clock = clock_of_table(told.stage, told.clock, "messages", rows.t_ns)
    t_ns, fields = clock.common_ns(rows.t_ns), told.messages["fields"]
    if isinstance(stage, NetworkStage):
        yield from retained_rows(name, stage.remembered(), t_ns)
        once = stage.once()
        rows, t_ns, fields = stage.sent(once), t_ns[once], fields.gather(once)
    facts = MessageFacts(
        rows=rows,
        t_ns=t_ns,
        fields=fields,
        bad_lines=stage.bad_lines,
        bad_count=stage.bad_count,
    )
    yield from message_rows(name, facts)
    if isinstance(stage, NetworkStage):  # it was captured from its first frame to its last
        t_ns = told.clock.common_ns(stage.native_ns())
    if told.clock.is_aligned and told.unobserved is None:
        yield from ends_of_events(name, t_ns, told.start_ns, told.end_ns)


def _network(name: str, told: Told, stage: NetworkStage) -> Iterator[TrustRow]:
    """A network capture proves what was not sent: TCP numbers every byte (RFC 9293 section 3.4).

    So a number that messages leave out tells of loss only where bytes of a connection are missing.
    """
    holes = []
    for row in stage.holes(name):
        ends = np.array([row.from_ns, row.until_ns], np.int64)
        clock = clock_of_table(stage, told.clock, "happenings", ends)
        since, until = clock.common_ns(ends).tolist()
        holes.append(replace(row, from_ns=since, until_ns=until))
    for row in _messages(name, told, stage):
        beside = any(_overlap(row, hole) for hole in holes)
        if row.kind != "lost" or beside or not stage.has_sent:
            yield row
    yield from holes


def _overlap(one: TrustRow, other: TrustRow) -> bool:
    """Whether two spans have a moment in common; an end that is not known may lie anywhere."""

    def begins_by_the_end(first: int | None, last: int | None) -> bool:
        return first is None or last is None or first <= last

    return begins_by_the_end(one.from_ns, other.until_ns) and begins_by_the_end(
        other.from_ns, one.until_ns
    )


NOT_OBSERVABLE = "not-observable"


def exchanges_as_observed(exchanges: pl.DataFrame, gaps: Unobserved) -> pl.DataFrame:
    """Exchanges of one bus, in which no reply is claimed to be absent where nothing was observed.

    A request without a reply is `not-observable` when a gap lies between it and the device's next
    request. Times on the capture's own clock.
    """
    if not len(gaps.from_ns) or not exchanges.height:
        return exchanges
    sorted_ = exchanges.sort("request_ns", maintain_order=True, nulls_last=True)
    asked = sorted_["request_ns"].fill_null(0).to_numpy()
    later = pl.col("request_ns").shift(-1).over("device").fill_null(2**62)
    until = sorted_.select(later).to_series().to_numpy()
    unseen = pl.Series(gaps.touches(asked, until))
    outcome = pl.col("outcome")
    return sorted_.with_columns(
        outcome=pl.when((outcome == "none") & pl.col("request_ns").is_not_null() & unseen)
        .then(pl.lit(NOT_OBSERVABLE))
        .otherwise(outcome)
    )

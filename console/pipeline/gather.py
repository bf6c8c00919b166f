"""A run from its files to evidence: read and decode each source, align, make tables, watch."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import polars as pl

from console.bench.model import Bench, CaptureSource, PrintsSource
from console.bench.tables import time_column
from console.pipeline.bus_devices import device_rows, pec_marked
from console.pipeline.capture_stage import Bus, CaptureStage, WantedBus
from console.pipeline.clocked import (
    ReadSource,
    Stage,
    clock_of,
    exact_times,
    segmented,
    series_of,
    with_band,
)
from console.pipeline.evidence import Evidence, SourceReport
from console.pipeline.inputs import KINDS, Input, Inputs
from console.pipeline.log_stages import MessageStage, PrintStage
from console.pipeline.serial_lines import on_the_wire
from console.pipeline.tables import empty_tables
from console.pipeline.trusted import Told, exchanges_as_observed, trust_of
from console.sources.kinds import Kind
from console.timeline.align import aligned
from console.timeline.bus_tables import line_states_frame, transactions_frame
from console.timeline.clocks import ClockMap, beside_axis, clocks_frame, on_axis
from console.timeline.message_tables import messages_frame
from console.timeline.print_tables import print_times, prints_frame
from console.timeline.serial_tables import bytes_frame
from console.trust.sheet import TrustRow, trust_frame
from console.trust.sheet import in_order as trust_in_order
from console.trust.unobserved import Unobserved, unobserved
from console.watch.doubt import doubted
from console.watch.findings import Finding, findings_frame, in_order
from console.watch.watching import watched
from decoders.captures.delimited import DelimitedReader
from decoders.captures.edges import CaptureReader
from decoders.captures.vcd import VcdReader
from decoders.errors import DiagnosticError

Progress = Callable[[str, int, int | None], None]


def gathered(
    inputs: Inputs,
    *,
    progress: Progress = lambda _what, _done, _total: None,
    stop: Callable[[], bool] = lambda: False,
) -> Evidence:
    """The evidence of a run.

    Args:
        inputs: what to read.
        progress: told what is being read, bytes read and bytes in all.
        stop: asked between chunks; when it says so, the rest is not read and the evidence holds
            what was.

    Raises:
        DiagnosticError: when a source cannot be read at all.
    """
    read = [_read(each, inputs, progress, stop) for each in inputs.inputs]
    bench = inputs.bench
    _find_on_the_wire(read)
    clocks = [clock_of(each) for each in read]
    maps = beside_axis(
        aligned(
            clocks,
            [series for each in read for series in series_of(each, read, bench)],
            inputs.declared,
            bench.about.axis,
        )
    )
    maps |= {each.name: segmented(each, maps[each.name]) for each in read}
    tables = _tables(read, maps)
    reports = [
        _report(each, maps[each.name], has_rows=len(clock.native_ns) > 0)
        for each, clock in zip(read, clocks, strict=True)
    ]
    off_axis = [name for name, clock in maps.items() if not clock.has_place]
    start, end = _span([r for r in reports if r.name not in off_axis])
    trust = _trust(read, maps, start, end)
    findings = [
        with_band(finding, maps)
        for finding in _findings(inputs, tables, reports, trust, off_axis, start, end)
    ]
    tables["findings"] = findings_frame(findings)
    tables["trust"] = trust_frame(trust)
    tables["clocks"] = clocks_frame([maps[each.name] for each in read])
    return Evidence(bench.name, reports, maps, tables, findings, start, end, stop())


def _span(reports: Sequence[SourceReport]) -> tuple[int, int]:
    """First and last moment of sources that have a place on the axis."""
    known = [t for r in reports for t in (r.first_ns, r.last_ns) if t is not None]
    return min(known, default=0), max(known, default=0)


def _read(each: Input, inputs: Inputs, progress: Progress, stop: Callable[[], bool]) -> ReadSource:
    """Read one source to its end, or until `stop`."""
    stage = _stage(each, inputs.bench)
    with each.file as file:
        for chunk in file:
            if stop():
                break
            stage.feed(chunk)
            progress(each.source.name, file.read_bytes, file.total_bytes)
    before = stage.stopped
    stage.finish()
    read = ReadSource(each, stage, stopped=_cause(before, stage.stopped, each.file.trouble))
    if isinstance(stage, CaptureStage):
        for bus in stage.buses:
            _add(read.tables, _bus_tables(bus, each.source.name, inputs, stage))
        for line in stage.serial:
            frame = bytes_frame(line.columns(), each.source.name, line.name)
            _add(read.tables, {"bytes": frame})
    elif isinstance(stage, PrintStage):
        read.prints = stage.columns()
        read.print_times = print_times(read.prints)
    else:
        _add(read.tables, {"messages": messages_frame(stage.columns(), each.source.name)})
    return read


def _find_on_the_wire(read: Sequence[ReadSource]) -> None:
    """Find the serial logs whose lines a capture saw being sent."""
    captures = [each for each in read if isinstance(each.stage, CaptureStage)]
    for log in read:
        source = log.input.source
        if log.prints is None or not isinstance(source, PrintsSource):
            continue
        for capture in captures:
            if isinstance(capture.stage, CaptureStage) and capture.stage.serial and not log.wired:
                log.wired = on_the_wire(
                    log.prints, source.line, source.tick_bits, capture.name, capture.stage.serial
                )


def _cause(
    before: DiagnosticError | None, after: DiagnosticError | None, trouble: DiagnosticError | None
) -> DiagnosticError | None:
    """Why reading stopped: of a file that was cut, the cut and not the half line it left."""
    if before is None and after is not None and trouble is not None:
        return DiagnosticError(trouble.message, place=after.place, mend=trouble.mend)
    return before or after or trouble


def _bus_tables(
    bus: Bus, source: str, inputs: Inputs, stage: CaptureStage
) -> dict[str, pl.DataFrame]:
    """The tables of one bus and its devices, on the capture's own clock."""
    until_ns = stage.last_ns or 0
    transactions, states = bus.columns()
    transactions = pec_marked(transactions, bus.lines.name, inputs.bench.devices)
    devices = device_rows(transactions, bus.lines.name, inputs.file, inputs.loose_packets, until_ns)
    empty = {name: table.drop("band_ns") for name, table in empty_tables().items()}
    return {
        "transactions": transactions_frame(transactions, source, bus.lines.name),
        "line_states": line_states_frame(states, source, bus.lines.name),
        "packets": pl.concat([empty["packets"], *(rows.packets for rows in devices)]),
        "exchanges": exchanges_as_observed(
            pl.concat([empty["exchanges"], *(rows.exchanges for rows in devices)]),
            Unobserved.of(stage.coverage.gaps),
        ),
    }


def _add(tables: dict[str, list[pl.DataFrame]], more: dict[str, pl.DataFrame]) -> None:
    for name, frame in more.items():
        tables.setdefault(name, []).append(frame)


def _stage(each: Input, bench: Bench) -> Stage:
    source, name = each.source, each.file.name
    if isinstance(source, CaptureSource):
        wanted = [
            WantedBus(bus.name, bus.scl, bus.sda, bus.spike_ns, bus.held_ns)
            for bus in bench.buses
            if bus.source == source.name
        ]
        marks = [mark for mark in bench.marks if mark.source == source.name]
        lines = [line for bus in wanted for line in (bus.scl, bus.sda)]
        lines += [mark.line for mark in marks if mark.line is not None and wanted]
        return CaptureStage(_reader(each, source, lines), wanted, marks)
    if isinstance(source, PrintsSource):
        is_json = each.kind is Kind.PRINTS_JSON
        return PrintStage(name, line=source.line, tick_bits=source.tick_bits, is_json=is_json)
    return MessageStage(name)


def _reader(each: Input, source: CaptureSource, lines: Sequence[str]) -> CaptureReader:
    if each.kind is Kind.CAPTURE_VCD:
        return VcdReader(each.file.name, wanted=lines or None)
    return DelimitedReader(
        each.file.name,
        threshold_volts=source.threshold_volts,
        sample_rate_hz=source.sample_rate_hz,
    )


def _tables(read: Sequence[ReadSource], maps: dict[str, ClockMap]) -> dict[str, pl.DataFrame]:
    """Every event table, on the common axis and in time order."""
    parts: dict[str, list[pl.DataFrame]] = {name: [frame] for name, frame in empty_tables().items()}
    for each in read:
        clock = maps[each.name]
        for name, frames in each.tables.items():
            parts[name] += [on_axis(frame, clock) for frame in frames]
        if each.prints is not None and each.print_times is not None:
            exact = exact_times(each.wired, maps) if each.wired is not None else None
            frame = prints_frame(each.prints, each.print_times, each.name, clock, exact)
            parts["prints"].append(frame)
    return {
        name: pl.concat(frames, how="vertical_relaxed").sort(
            time_column(name), maintain_order=True, nulls_last=True
        )
        for name, frames in parts.items()
    }


def _trust(
    read: Sequence[ReadSource], maps: dict[str, ClockMap], start_ns: int, end_ns: int
) -> list[TrustRow]:
    """The trust sheet."""
    rows: list[TrustRow] = []
    for each in read:
        states, messages = each.tables.get("line_states"), each.tables.get("messages")
        pieces = maps[each.name].pieces
        off = not maps[each.name].has_place  # then it cannot begin late or end early
        told = Told(
            source=each.input.source,
            stage=each.stage,
            clock=maps[each.name],
            stopped=each.stopped,
            line_states=pl.concat(states) if states else None,
            messages=messages[0] if messages else None,
            prints=each.prints,
            times=each.print_times,
            start_ns=pieces[0].from_ns if off else start_ns,
            end_ns=pieces[-1].until_ns if off else end_ns,
        )
        rows += trust_of(told)
    return trust_in_order(rows)


def _report(each: ReadSource, clock: ClockMap, *, has_rows: bool) -> SourceReport:
    stage, file = each.stage, each.input.file
    spans = [(p.from_ns, p.until_ns) for p in clock.pieces] if has_rows else []
    assumed, buses = list(stage.assumed), []
    if isinstance(stage, CaptureStage):
        assumed = [*stage.reader.assumed.remarks, *assumed]
        buses = [bus.lines for bus in stage.buses]
    return SourceReport(
        name=each.name,
        kind=KINDS[each.input.kind],
        files=[file.name],
        events=stage.events,
        first_ns=min((a for a, _ in spans), default=None),
        last_ns=max((b for _, b in spans), default=None),
        assumed=assumed,
        stopped=each.stopped,
        buses=buses,
    )


def _findings(
    inputs: Inputs,
    tables: dict[str, pl.DataFrame],
    reports: Sequence[SourceReport],
    trust: Sequence[TrustRow],
    off_axis: Sequence[str],
    start_ns: int,
    end_ns: int,
) -> list[Finding]:
    """What the rules find, and the sources that could not be read to their end."""
    timed = {
        name: table.filter(pl.col(time_column(name)).is_not_null())
        for name, table in tables.items()
    }
    observed = {r.name: r.last_ns for r in reports if r.last_ns is not None}
    last_ns = max([end_ns, *observed.values()])  # of sources off the axis, too
    found = watched(
        inputs.bench,
        timed,
        start_ns,
        last_ns,
        observed,
        unobserved(trust),
        off_axis=off_axis,
    )
    for report in reports:
        if report.stopped is not None:
            found.append(_cut_short(report, report.stopped, end_ns))
        if report.kind == "capture" and (why := _why_undecoded(report, tables["transactions"])):
            found.append(_undecoded(report, why, start_ns))
    return in_order(doubted(found, trust))


def _why_undecoded(report: SourceReport, transactions: pl.DataFrame) -> str:
    """Why nothing of a capture was decoded; empty when something was."""
    if not report.buses:
        return "no I2C bus was found among its lines"
    decoded = transactions.filter(
        (pl.col("source") == report.name) & pl.col("address").is_not_null()
    )
    if decoded.height:
        return ""
    lines = ", ".join(f"{bus.scl} and {bus.sda}" for bus in report.buses)
    return f"there is no whole transaction on {lines}"


def _undecoded(report: SourceReport, why: str, start_ns: int) -> Finding:
    """A capture of which nothing was decoded says nothing, and must not pass for good."""
    return Finding(
        t_ns=start_ns,
        rule="undecoded",
        severity="warning",
        party=report.name,
        source=report.name,
        summary=f"nothing of this capture was decoded: {why}",
        evidence={"assumed": report.assumed},
    )


def _cut_short(report: SourceReport, stopped: DiagnosticError, end_ns: int) -> Finding:
    """What lies behind the place where a file went bad was not observed, and that is a fault."""
    where = str(stopped.place) if stopped.place else report.name
    return Finding(
        t_ns=end_ns if report.last_ns is None else report.last_ns,
        rule="unreadable",
        severity="fault",
        party=report.name,
        source=report.name,
        summary=f"cannot be read from {where} on: {stopped.message}",
        evidence={"place": where, "what": stopped.message, "mend": stopped.mend},
    )

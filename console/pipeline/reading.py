"""Reading a run: every source from its files to rows on its own clock, once.

What is slow is done here. How the clocks then lie on one axis may be settled again and again from
one `Reading` (`settling.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl

from console.bench.model import Bench, CaptureSource, NetworkSource, PrintsSource
from console.pipeline.bus_devices import device_rows, pec_marked
from console.pipeline.capture_stage import Bus, CaptureStage, WantedBus
from console.pipeline.clocked import FileStage, ReadSource, clock_of, series_of
from console.pipeline.inputs import Input, Inputs
from console.pipeline.live_source import host_times
from console.pipeline.log_stages import MessageStage, PrintStage
from console.pipeline.network_stage import NetworkStage
from console.pipeline.serial_lines import OnTheWire, heard_alone, on_the_wire
from console.pipeline.settled_lines import WantedLines
from console.pipeline.stamp_unit import with_unit
from console.pipeline.stored import RecordedFile
from console.pipeline.stored_stage import RecordedStage
from console.pipeline.tables import empty_tables
from console.pipeline.trusted import exchanges_as_observed
from console.pipeline.wire_lines import WireLine
from console.sources.files import SourceFile
from console.sources.kept_edges import KeptEdges
from console.sources.kinds import Kind
from console.timeline.alignment.series import Series
from console.timeline.alignment.ties import SourceClock
from console.timeline.tables.bus_tables import line_states_frame, transactions_frame
from console.timeline.tables.connection_tables import connections_frame
from console.timeline.tables.message_tables import messages_frame
from console.timeline.tables.print_tables import print_times
from console.timeline.tables.serial_tables import bytes_frame
from console.trust.unobserved import Unobserved
from decoders.captures.delimited import DelimitedReader
from decoders.captures.edges import CaptureReader
from decoders.captures.pcap import PcapReader
from decoders.captures.pcapng import PcapngReader
from decoders.captures.vcd import VcdReader
from decoders.durations import in_words
from decoders.errors import DiagnosticError

Progress = Callable[[str, int, int | None], None]


def untold(_what: str, _done: int, _total: int | None) -> None:
    """Progress that nobody asked for."""


def unstopped() -> bool:
    """Nobody stops the reading."""
    return False


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A run as it was read, each source on its own clock, and what may tie the clocks together."""

    inputs: Inputs
    sources: Sequence[ReadSource]
    clocks: Sequence[SourceClock]  # of each source, in their order
    series: Sequence[Series]  # the recurring values of all of them
    interrupted: bool  # the user stopped the reading: what is here is what was read so far

    @property
    def unread(self) -> list[str]:
        """The sources of which nothing was read."""
        read = {each.name for each in self.sources}
        return [each.source.name for each in self.inputs.inputs if each.source.name not in read]


def read_all(
    inputs: Inputs,
    progress: Progress = untold,
    stop: Callable[[], bool] = unstopped,
    *,
    keep_edges: bool = False,
) -> Reading:
    """Read and decode every source.

    Args:
        inputs: what to read.
        progress: told what is being read, bytes read and bytes in all.
        stop: asked between chunks; when it says so, the rest is not read and the reading holds
            what was.
        keep_edges: whether the levels of captures are kept on disk, to be shown.

    Raises:
        DiagnosticError: when a source cannot be read at all.
    """
    found: list[ReadSource] = []
    for each in inputs.inputs:
        if not stop():
            read = read_source(each, inputs, progress, stop, keep_edges=keep_edges)
            found += [] if read is None else [read]
    inputs.close()
    return reading_of(inputs, found, interrupted=stop())


def reading_of(inputs: Inputs, read: Sequence[ReadSource], *, interrupted: bool) -> Reading:
    """The reading of the sources that were read, in the order of the inputs; it may lack some."""
    _find_on_the_wire(read)
    clocks = [clock_of(each) for each in read]
    series = []
    if not all(isinstance(each.stage, RecordedStage) for each in read):  # else: one clock
        series = [series for each in read for series in series_of(each, read, inputs.bench)]
    return Reading(inputs, read, clocks, series, interrupted)


def read_source(
    each: Input,
    inputs: Inputs,
    progress: Progress = untold,
    stop: Callable[[], bool] = unstopped,
    *,
    keep_edges: bool = False,
) -> ReadSource | None:
    """Read one source to its end, or until `stop`; None when that came before anything was read.

    Raises:
        DiagnosticError: when it cannot be read at all.
    """
    if isinstance(each.file, RecordedFile):
        return _read_records(each, each.file, progress, stop)
    try:
        stage = _stage(each, inputs.bench, KeptEdges() if keep_edges else None)
        with each.file as file:
            return _read(each, file, stage, inputs, progress, stop)
    except DiagnosticError:
        if stop():  # what was cut off at once looks like a file with nothing in it
            return None
        raise


def _read(
    each: Input,
    file: SourceFile,
    stage: FileStage,
    inputs: Inputs,
    progress: Progress,
    stop: Callable[[], bool],
) -> ReadSource:
    """Read one source to its end, or until `stop`."""
    for chunk in file:
        stage.feed(chunk)
        progress(each.source.name, file.read_bytes, file.total_bytes)
        if stop():
            break
    before = stage.stopped
    stage.finish()
    read = ReadSource(each, stage, stopped=_cause(before, stage.stopped, file.trouble))
    if isinstance(stage, CaptureStage):
        for bus in stage.buses:
            _add(read.tables, _bus_tables(bus, each.source.name, inputs, stage))
        for line in stage.serial:
            frame = bytes_frame(line.columns(), each.source.name, line.name)
            _add(read.tables, {"bytes": frame})
        for other in stage.others:
            _add(read.tables, _other_tables(other, each.source.name, stage))
    elif isinstance(stage, PrintStage):
        read.prints = stage.columns()
        read.print_times = print_times(read.prints)
    else:
        _add(read.tables, {"messages": messages_frame(stage.columns(), each.source.name)})
    if isinstance(stage, NetworkStage):
        happened = connections_frame(stage.connection_events, each.source.name)
        _add(read.tables, {"happenings": happened})
    return read


def _read_records(
    each: Input, file: RecordedFile, progress: Progress, stop: Callable[[], bool]
) -> ReadSource:
    """Read one source of a recorded run to its end, or until `stop`."""
    stage = RecordedStage(each.source, file.run)
    for records in file:
        stage.feed(records)
        progress(each.source.name, file.read_bytes, file.total_bytes)
        if stop():
            break
    stage.finish()
    read = ReadSource(each, stage, stopped=file.trouble)
    for frame in stage.happenings:
        _add(read.tables, {"happenings": frame})
    if isinstance(each.source, PrintsSource):
        read.prints = stage.prints()
        read.print_times = host_times(read.prints)
    else:
        _add(read.tables, {"messages": messages_frame(stage.columns(), each.source.name)})
    return read


def _find_on_the_wire(read: Sequence[ReadSource]) -> None:
    """Find the serial logs whose lines a capture saw being sent, and the text that no log has."""
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
        if log.wired is not None:
            _learn_from_the_wire(log, log.wired)
    logs = [log.prints for log in read if log.prints is not None]
    for capture in captures:
        if isinstance(capture.stage, CaptureStage) and capture.stage.serial:
            on = (log.wired for log in read if log.wired is not None)
            known = {wired.line for wired in on if wired.capture == capture.name}
            capture.heard = heard_alone(capture.name, capture.stage.serial, logs, known)


def _learn_from_the_wire(log: ReadSource, wired: OnTheWire) -> None:
    """What the line that carries a log tells of it: times, and the unit of its stamps."""
    assert log.prints is not None
    unit = wired.unit
    if unit is not None:
        log.prints = with_unit(log.prints, unit)
        log.print_times = print_times(log.prints)
        where = f"{wired.line} of {wired.capture}"
        log.remarks.append(f"but {where} shows that they are {unit.name}, and so they were read")
    seen, lines = len(wired.rows), len(log.prints)
    log.remarks.append(
        f"{f'all {lines:,} lines' if seen == lines else f'{seen:,} of {lines:,} lines'} were seen "
        f"on {wired.line} of {wired.capture}: their times are known to {in_words(wired.bit_ns)}"
    )


def _cause(
    before: DiagnosticError | None, after: DiagnosticError | None, trouble: DiagnosticError | None
) -> DiagnosticError | None:
    """Why reading stopped: of a file that was cut, the cut and not the half line it left."""
    if before is None and after is not None and trouble is not None:
        return DiagnosticError(trouble.message, place=after.place, mend=trouble.mend)
    return before or after or trouble


def _stage(each: Input, bench: Bench, keeper: KeptEdges | None) -> FileStage:
    source, name = each.source, each.file.name
    if isinstance(source, CaptureSource):
        wanted = [
            WantedBus(bus.name, bus.scl, bus.sda, bus.spike_ns, bus.held_ns)
            for bus in bench.buses
            if bus.source == source.name
        ]
        marks = [mark for mark in bench.marks if mark.source == source.name]
        others = WantedLines.of(bench, source.name)
        lines = [line for bus in wanted for line in (bus.scl, bus.sda)]
        lines += [mark.line for mark in marks if mark.line is not None and wanted]
        lines += [line for line, _ in others.names if wanted]
        return CaptureStage(_reader(each, source, lines), wanted, marks, keeper, others)
    if isinstance(source, PrintsSource):
        is_json = each.kind is Kind.PRINTS_JSON
        return PrintStage(name, line=source.line, tick_bits=source.tick_bits, is_json=is_json)
    if isinstance(source, NetworkSource):
        of_blocks = each.kind is Kind.NETWORK_PCAPNG
        return NetworkStage(PcapngReader(name) if of_blocks else PcapReader(name))
    return MessageStage(name)


def _reader(each: Input, source: CaptureSource, lines: Sequence[str]) -> CaptureReader:
    if each.kind is Kind.CAPTURE_VCD:
        return VcdReader(each.file.name, wanted=lines or None)
    return DelimitedReader(
        each.file.name,
        threshold_volts=source.threshold_volts,
        sample_rate_hz=source.sample_rate_hz,
    )


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


def _other_tables(line: WireLine, source: str, stage: CaptureStage) -> dict[str, pl.DataFrame]:
    """The tables of lines that are no I2C bus, on the capture's own clock."""
    tables = dict(line.tables(source, stage.last_ns or 0))
    if "exchanges" in tables:
        gaps = Unobserved.of(stage.coverage.gaps)
        tables["exchanges"] = exchanges_as_observed(tables["exchanges"], gaps)
    return tables


def _add(tables: dict[str, list[pl.DataFrame]], more: dict[str, pl.DataFrame]) -> None:
    for name, frame in more.items():
        tables.setdefault(name, []).append(frame)

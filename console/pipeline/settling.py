"""Settling a reading: its clocks onto one axis, and from that the tables, the trust and findings.

It changes nothing of the reading, so it may be done again whenever the user decides otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from console.bench.lines import LineEntry
from console.bench.tables import time_column
from console.pipeline.capture_stage import CaptureStage
from console.pipeline.clocked import (
    ReadSource,
    clock_of_table,
    exact_times,
    segmented,
    with_band,
)
from console.pipeline.evidence import Evidence, SourceReport
from console.pipeline.inputs import KINDS
from console.pipeline.live_source import host_clock
from console.pipeline.reading import Reading
from console.pipeline.run_findings import observation_of, run_findings
from console.pipeline.stored_stage import RecordedStage
from console.pipeline.tables import empty_tables
from console.pipeline.trusted import Told, trust_of
from console.pipeline.unread import findings_that_stand, unread_rows
from console.sources.records import Happened
from console.timeline.alignment.align import aligned
from console.timeline.alignment.anchors import by_span
from console.timeline.alignment.decisions import NOTHING_DECIDED, Decisions
from console.timeline.clocks import ClockMap, beside_axis, clocks_frame, on_axis
from console.timeline.tables.happening_tables import happenings_frame
from console.timeline.tables.print_tables import prints_frame, wire_times
from console.trust.sheet import TrustRow, trust_frame
from console.trust.sheet import in_order as trust_in_order
from console.trust.unobserved import Unobserved
from console.watch.findings import findings_frame


def evidence_of(reading: Reading, decisions: Decisions = NOTHING_DECIDED) -> Evidence:
    """The evidence of a run that was read.

    Args:
        reading: what was read.
        decisions: what the user decided about the clocks.
    """
    read, inputs = reading.sources, reading.inputs
    axis = inputs.bench.about.axis
    alignment = aligned(reading.clocks, reading.series, inputs.declared, axis, decisions)
    maps = beside_axis(alignment.maps)
    maps |= {each.name: segmented(each, maps[each.name]) for each in read}
    anchors = {
        name: by_span(own, maps[name]) if maps[name].piece_of is None else own
        for name, own in alignment.anchors.items()
    }
    tables = _tables(read, maps, () if inputs.run is None else inputs.run.happened)
    reports = [
        _report(each, maps[each.name], has_rows=len(clock.native_ns) > 0)
        for each, clock in zip(read, reading.clocks, strict=True)
    ]
    off_axis = [name for name, clock in maps.items() if not clock.has_place]
    start, end = _span([r for r in reports if r.name not in off_axis])
    if inputs.run is not None:
        start, end = inputs.run.start_ns, max(end, inputs.run.end_ns)
    unread = reading.unread
    trust = [*_trust(read, maps, start, end), *unread_rows(unread)]
    recorded = _recorded_unobserved(read, maps)
    observation = observation_of(reports, trust, off_axis, end, recorded)
    found = run_findings(inputs.bench, tables, reports, trust, (start, end), observation)
    findings = [with_band(finding, maps) for finding in findings_that_stand(found, unread)]
    tables["findings"] = findings_frame(findings)
    tables["trust"] = trust_frame(trust)
    tables["clocks"] = clocks_frame([maps[each.name] for each in read])
    return Evidence(
        name=inputs.bench.name,
        sources=reports,
        clocks=maps,
        anchors=anchors,
        tables=tables,
        findings=findings,
        start_ns=start,
        end_ns=end,
        wires={
            each.name: each.stage.kept
            for each in read
            if isinstance(each.stage, CaptureStage) and each.stage.kept is not None
        },
        interrupted=reading.interrupted,
        observation=observation,
    )


def _span(reports: Sequence[SourceReport]) -> tuple[int, int]:
    """First and last moment of sources that have a place on the axis."""
    known = [t for r in reports for t in (r.first_ns, r.last_ns) if t is not None]
    return min(known, default=0), max(known, default=0)


def _recorded_unobserved(
    read: Sequence[ReadSource], maps: dict[str, ClockMap]
) -> dict[str, Unobserved]:
    """Of each recorded source, where it was not observed: what its recorder knew, and no guesses.

    So a rule finds in a stored run what it found while that was recorded.
    """
    return {
        each.name: _moved(each.stage.unobserved(), maps[each.name])
        for each in read
        if isinstance(each.stage, RecordedStage)
    }


def _moved(spans: Unobserved, clock: ClockMap) -> Unobserved:
    shift = clock.pieces[0].offset_ns
    return Unobserved(spans.from_ns + shift, spans.until_ns + shift)


def _tables(
    read: Sequence[ReadSource], maps: dict[str, ClockMap], happened: Sequence[Happened]
) -> dict[str, pl.DataFrame]:
    """Every event table, on the common axis and in time order."""
    parts: dict[str, list[pl.DataFrame]] = {name: [frame] for name, frame in empty_tables().items()}
    if happened:  # to folders, by the recorder's clock; their captures have others
        frame = happenings_frame(happened, [row.t_ns for row in happened])
        parts["happenings"].append(on_axis(frame, host_clock("", 0)))
    for each in read:
        clock = maps[each.name]
        for name, frames in each.tables.items():
            for frame in frames:
                t_ns = frame[time_column(name)].to_numpy()
                its = clock_of_table(each.stage, clock, name, t_ns)
                parts[name].append(on_axis(frame, its))
        if each.prints is not None and each.print_times is not None:
            exact = exact_times(each.wired, maps) if each.wired is not None else None
            frame = prints_frame(each.prints, each.print_times, each.name, clock, exact)
            parts["prints"].append(frame)
        for name, prints in each.heard:
            parts["prints"].append(prints_frame(prints, wire_times(prints), name, clock))
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
    recorded = _recorded_unobserved(read, maps)
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
            unobserved=recorded.get(each.name),
        )
        rows += trust_of(told)
    return trust_in_order(rows)


def _report(each: ReadSource, clock: ClockMap, *, has_rows: bool) -> SourceReport:
    stage, file = each.stage, each.input.file
    spans = [(p.from_ns, p.until_ns) for p in clock.pieces] if has_rows else []
    assumed, buses = [*stage.assumed, *each.remarks], []
    lines: Sequence[LineEntry] = ()
    if isinstance(stage, CaptureStage):
        assumed = [*stage.reader.assumed.remarks, *assumed]
        buses = [bus.lines for bus in stage.buses]
        lines = stage.entries
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
        lines=lines,
    )

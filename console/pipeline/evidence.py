"""What a run holds once it is read, aligned and watched."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import polars as pl

from console.bench.lines import LineEntry
from console.sources.kept_edges import KeptEdges
from console.timeline.alignment.anchors import Anchors
from console.timeline.clocks import ClockMap
from console.trust.unobserved import Unobserved
from console.watch.findings import Finding
from decoders.errors import DiagnosticError

SourceKind = Literal["capture", "prints", "messages", "network"]


@dataclass(frozen=True, slots=True)
class BusLines:
    """A bus of a capture, its lines by the capture's names, and how they were told."""

    name: str
    scl: str
    sda: str
    why: str
    bits: tuple[int, int]  # of SCL and SDA in the capture's level words
    spike_ns: int  # what its decoder was told
    held_ns: int


@dataclass(frozen=True, slots=True)
class SourceReport:
    """What one source held, and what was assumed to read it."""

    name: str
    kind: SourceKind
    files: list[str]
    events: int  # edges, lines, messages or MQTT packets
    first_ns: int | None  # common axis; None when it held nothing
    last_ns: int | None
    assumed: list[str]
    stopped: DiagnosticError | None  # where a source that was good at first went bad
    buses: list[BusLines]  # of a capture
    lines: Sequence[LineEntry] = ()  # of a capture: what else was found on it, or `--spi` said


@dataclass(frozen=True, slots=True)
class Observation:
    """What was watched, as rules must know it. Times in ns on the common axis."""

    until_ns: int = 0  # until when anything was
    observed_until: Mapping[str, int] = field(default_factory=dict)  # of each source
    unobserved: Mapping[str, Unobserved] = field(default_factory=dict)  # spans of each source
    off_axis: Sequence[str] = ()  # sources whose times mean nothing beside those of others
    away: Mapping[str, Unobserved] = field(default_factory=dict)  # spans with nothing recorded


@dataclass(frozen=True, slots=True)
class Evidence:
    """One run on one axis. Times in ns on the common axis."""

    name: str
    sources: Sequence[SourceReport]
    clocks: Mapping[str, ClockMap]
    anchors: Mapping[str, Anchors]  # of every source; what its clock rests on
    tables: Mapping[str, pl.DataFrame]  # by the names of the design's tables
    findings: Sequence[Finding]
    start_ns: int
    end_ns: int
    interrupted: bool  # the user stopped the reading: what is here is what was read so far
    # levels of each capture, times on its own clock; none unless the reading was asked to keep them
    wires: Mapping[str, KeptEdges] = field(default_factory=dict)
    observation: Observation = field(default_factory=Observation)

    def lines_of(self, bus: str, source: str | None = None) -> tuple[str, BusLines] | None:
        """The capture that has a bus, and the bus's lines in it; None when none has.

        Args:
            bus: its name.
            source: the capture, where several may have a bus of that name.
        """
        for report in self.sources:
            for lines in report.buses:
                if lines.name == bus and source in (None, report.name):
                    return report.name, lines
        return None

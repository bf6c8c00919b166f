"""One level capture, from file bytes to bus columns: a fold over chunks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from console.bench.lines import LineEntry
from console.bench.model import Mark
from console.pipeline.evidence import BusLines
from console.pipeline.serial_lines import SerialLine
from console.pipeline.settled_lines import NONE_WANTED, WantedLines, settled_lines
from console.pipeline.wire_lines import WireLine
from console.sources.kept_edges import KeptEdges
from console.trust.capture_trust import Coverage
from decoders.buses.cut_spans import CutSpans
from decoders.buses.i2c import I2cDecoder
from decoders.buses.roles import Lines, buses_by_behaviour, buses_by_name
from decoders.buses.transactions import (
    LineStates,
    Transactions,
    concatenated,
    line_states,
)
from decoders.captures.edges import CaptureReader, Edges
from decoders.captures.line_edges import LineEdges
from decoders.captures.pulse_widths import PulseWidths
from decoders.errors import CaptureError, DiagnosticError, Place

# Edges looked at before the lines' roles are told from how they behave; a few hundred transactions.
TASTE_EDGES = 40_000


@dataclass(frozen=True, slots=True)
class WantedBus:
    """A bus the user named; `scl` and `sda` as written in the bench file or on the command line."""

    name: str
    scl: str
    sda: str
    spike_ns: int = 50
    held_ns: int = 25_000_000


@dataclass(slots=True)
class Bus:
    """One bus of the capture, as it is being decoded."""

    lines: BusLines
    scl: int  # bit numbers
    sda: int
    decoder: I2cDecoder
    cuts: CutSpans = field(init=False)
    transactions: list[Transactions] = field(default_factory=list)
    line_states: list[LineStates] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.cuts = CutSpans(self.scl, self.sda)

    def feed(self, block: Edges) -> None:
        """Decode the next edges."""
        self._take(block, self.decoder.feed(block))

    def finish(self) -> None:
        """Decode what was left; feed nothing after this."""
        self._take(None, self.decoder.finish())

    def _take(self, block: Edges | None, rows: tuple[Transactions, LineStates]) -> None:
        """Keep what the decoder gave, but for empty pieces."""
        self.cuts.feed(block, rows[0])
        if len(rows[0]):
            self.transactions.append(rows[0])
        if len(rows[1]):
            self.line_states.append(rows[1])

    def columns(self) -> tuple[Transactions, LineStates]:
        """Everything decoded so far, each as one table; joined once however often asked for."""
        self.transactions = [concatenated(self.transactions)]
        self.line_states = [concatenated(self.line_states) if self.line_states else line_states()]
        return self.transactions[0], self.line_states[0]


class CaptureStage:
    """Feed it a capture's bytes; after `finish` its buses hold the transactions.

    Which lines make a bus is settled in this order: named by the user, told by the channels' names,
    told by how the lines behave. What was settled is said in `assumed`.

    Args:
        reader: of the capture's bytes.
        wanted: buses the user named.
        marks: whose edges are looked for.
        keeper: takes every edge for later; None keeps none. It never stops the reading.
        lines: what the user said of other lines.
    """

    def __init__(
        self,
        reader: CaptureReader,
        wanted: Sequence[WantedBus] = (),
        marks: Sequence[Mark] = (),
        keeper: KeptEdges | None = None,
        lines: WantedLines = NONE_WANTED,
    ) -> None:
        self.reader = reader
        self.kept = keeper
        self.buses: list[Bus] = []
        self.serial: list[SerialLine] = []  # UART lines
        self.others: list[WireLine] = []  # SPI buses, servos, ranging, other pulses
        self.entries: list[LineEntry] = []  # what was found of them, as a bench file says it
        self.assumed: list[str] = []
        self.events = 0
        self.first_ns: int | None = None
        self.last_ns: int | None = None
        self.coverage = Coverage()
        self.widths: PulseWidths | None = None  # of the lines of the buses
        self.marks: list[tuple[Mark, LineEdges]] = []
        self._wanted = wanted
        self._wanted_marks = marks
        self._wanted_lines = lines
        self._settled = False
        self._kept: list[Edges] = []  # edges seen before the lines' roles were settled

    def feed(self, chunk: bytes) -> None:
        """Take the next bytes of the file."""
        self._take(self.reader.feed(chunk))

    def finish(self) -> None:
        """Take what was left; feed nothing after this."""
        self._take(self.reader.finish())
        if not self._settled:
            self._settle(by_behaviour=True)
        for bus in self.buses:
            bus.finish()
        for line in self.serial:
            line.finish()
        for other in self.others:
            other.finish()
        self.assumed += [line.remark for line in self.serial if line.remark]

    @property
    def stopped(self) -> DiagnosticError | None:
        """Where a capture that was good at first went bad."""
        return self.reader.stopped

    def _take(self, blocks: Sequence[Edges]) -> None:
        if self.kept is not None:
            self.kept.channels = self.reader.channels
        for block in blocks:
            if self.kept is not None:
                self.kept.feed(block)
            self.coverage.feed(block)
            self.events += len(block.t_ns)
            if self.first_ns is None and len(block.t_ns):
                self.first_ns = int(block.t_ns[0])
            self.last_ns = block.until_ns
        if self._settled:
            self._decode(blocks)
            return
        self._kept.extend(blocks)
        if self.reader.channels:
            self._settle(by_behaviour=self.events >= TASTE_EDGES)

    def _decode(self, blocks: Sequence[Edges]) -> None:
        for block in blocks:
            for bus in self.buses:
                bus.feed(block)
            for line in self.serial:
                line.feed(block)
            for other in self.others:
                other.feed(block)
            for _, edges in self.marks:
                edges.feed(block)
            if self.widths is not None:
                self.widths.feed(block)

    def _settle(self, *, by_behaviour: bool) -> None:
        """Settle which lines make a bus if it can be told yet, and decode what was kept."""
        channels = self.reader.channels
        known = 2 * len(self._wanted or buses_by_name(channels))
        if len(channels) > known and not by_behaviour:
            return  # what the other lines are is told by how they behave
        if self._wanted:
            self.buses = [self._wanted_bus(bus) for bus in self._wanted]
        else:
            self.buses = [self._told_bus(told) for told in self._found_buses()]
        self._settled = True
        for mark in self._wanted_marks:
            bit = self._line(mark.line or "", f"mark '{mark.name}'")
            self.marks.append((mark, LineEdges(bit, rises=mark.edge == "rise")))
        bits = sorted({bit for bus in self.buses for bit in (bus.scl, bus.sda)})
        self._settle_others(bits)
        self.widths = PulseWidths(bits) if bits else None
        kept, self._kept = self._kept, []
        self._decode(kept)

    def _found_buses(self) -> list[Lines]:
        """The I2C buses among the lines that the user did not say something else of."""
        channels = self.reader.channels
        other = {self._line(name, of) for name, of in self._wanted_lines.names}
        named = [bus for bus in buses_by_name(channels) if not {bus.scl, bus.sda} & other]
        if named or len(channels) - len(other) < 2:
            return named
        behaving = buses_by_behaviour(_beginning(self._kept), channels)
        return [bus for bus in behaving if not {bus.scl, bus.sda} & other]

    def _settle_others(self, taken: Sequence[int]) -> None:
        """Settle what the lines are that are no I2C bus."""
        channels = self.reader.channels
        beginning = _beginning(self._kept)
        found = settled_lines(beginning, channels, taken, self._wanted_lines, self._line)
        if not (self.buses or found.serial or found.others):
            self.assumed.append(
                f"no I2C bus found among the lines {', '.join(channels) or '(none)'}: "
                "name one with --i2c scl=NAME,sda=NAME"
            )
        self.assumed += found.assumed
        self.serial, self.others, self.entries = found.serial, found.others, found.entries

    def _told_bus(self, told: Lines) -> Bus:
        channels = self.reader.channels
        scl, sda = channels[told.scl], channels[told.sda]
        self.assumed.append(f"{told.name}: SCL is {scl}, SDA is {sda} ({told.why})")
        return _bus(WantedBus(told.name, scl, sda), told.scl, told.sda, told.why)

    def _wanted_bus(self, bus: WantedBus) -> Bus:
        scl, sda = (
            self._line(bus.scl, f"bus '{bus.name}'"),
            self._line(bus.sda, f"bus '{bus.name}'"),
        )
        if scl == sda:
            line = self.reader.channels[scl]
            raise CaptureError(
                f"SCL and SDA of bus '{bus.name}' are the same line '{line}'",
                place=Place(self.reader.name),
                mend=self._how_to_name(),
            )
        return _bus(bus, scl, sda, "as told")

    def _line(self, name: str, of: str) -> int:
        """Bit number of the line the user calls `name`: whole name, or its unique last part."""
        channels = self.reader.channels
        if name in channels:
            return channels.index(name)
        fits = [k for k, c in enumerate(channels) if _same_line(c, name)]
        if len(fits) == 1:
            return fits[0]
        what = "names several lines" if fits else "is no line of this capture"
        raise CaptureError(
            f"'{name}' of {of} {what}",
            place=Place(self.reader.name),
            mend=self._how_to_name(),
        )

    def _how_to_name(self) -> str:
        return (
            f"Lines found: {', '.join(self.reader.channels)}. Name them in the bench file, or two "
            "with --i2c scl=NAME,sda=NAME."
        )


def _bus(bus: WantedBus, scl: int, sda: int, why: str) -> Bus:
    """A bus to be decoded, its lines at these bits."""
    limits = bus.spike_ns, bus.held_ns
    lines = BusLines(bus.name, bus.scl, bus.sda, why, (scl, sda), *limits)
    decoder = I2cDecoder(scl, sda, spike_ns=bus.spike_ns, held_ns=bus.held_ns, wait_ns=None)
    return Bus(lines, scl, sda, decoder)


def _same_line(channel: str, name: str) -> bool:
    channel, name = channel.casefold(), name.casefold()
    return channel == name or channel.endswith("." + name)


def _beginning(blocks: Sequence[Edges]) -> Edges:
    """The first `TASTE_EDGES` edges as one block, for a look at how the lines behave.

    Always as many, whatever the chunks they came in; gaps between the blocks are passed over.
    """
    if not blocks:
        return Edges(np.empty(0, np.int64), np.empty(0, np.uint8), begins=True, until_ns=0)
    t_ns = np.concatenate([b.t_ns for b in blocks])
    levels = np.concatenate([b.levels for b in blocks])
    more = len(t_ns) > TASTE_EDGES
    until_ns = int(t_ns[TASTE_EDGES]) if more else blocks[-1].until_ns
    return Edges(t_ns[:TASTE_EDGES], levels[:TASTE_EDGES], begins=True, until_ns=until_ns)

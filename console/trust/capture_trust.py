"""What a level capture cannot prove: gaps, too few samples a pulse, edges that make no traffic."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from console.trust.sheet import TrustRow
from decoders.buses.cut_spans import CutSpan
from decoders.buses.i2c_limits import MODES, Limits
from decoders.captures.edges import Edges, OffBeat
from decoders.captures.pulse_widths import PulseWidths
from decoders.captures.sample_beat import GAP_PERIODS
from decoders.durations import in_words

_REMEMBERED = 1000
_FEW_SAMPLES = 2  # a pulse of so many samples or fewer can hide another edge
_FEW_SHARE = 0.01  # of pulses that may be so narrow
_FEWEST_PULSES = 16  # below this a clock rate is no rate
_ALIKE = 0.9  # share of pulses of one width: an exact clock, not a coarse sampling of one
_RATE_SLACK = 1.15  # medians are known to an eighth of an octave
_APART_NS = 100_000_000  # noise nearer to each other than this is told as one


class Coverage:
    """A fold over a capture's edges: from when to when it observed, and where it did not."""

    def __init__(self) -> None:
        self.first_ns: int | None = None
        self.last_ns: int | None = None
        self.gaps: list[tuple[int, int]] = []  # the first 1000

    def feed(self, edges: Edges) -> None:
        """Take the next edges."""
        if len(edges.t_ns):
            begin = int(edges.t_ns[0])
            if self.first_ns is None:
                self.first_ns = begin
            elif edges.begins and self.last_ns is not None and len(self.gaps) < _REMEMBERED:
                self.gaps.append((self.last_ns, begin))
        self.last_ns = edges.until_ns


@dataclass(frozen=True, slots=True)
class BusFacts:
    """What was measured of one bus."""

    name: str
    scl: int  # bit numbers
    sda: int
    cuts: Sequence[CutSpan]


@dataclass(frozen=True, slots=True)
class CaptureFacts:
    """What was measured of a capture while it was read; times in ns on its own clock."""

    coverage: Coverage
    widths: PulseWidths | None  # of the lines of its buses
    buses: Sequence[BusFacts]
    sample_period_ns: float | None  # as stated, or as the rows show
    off_beat: Sequence[OffBeat]
    stopped: str | None  # why the rest could not be read
    line_states: pl.DataFrame = field(default_factory=pl.DataFrame)
    others: int = 0  # lines and buses of other kinds that were decoded


def capture_rows(source: str, facts: CaptureFacts) -> Iterator[TrustRow]:
    """The rows of one capture, times in ns on its own clock."""
    first, last = facts.coverage.first_ns, facts.coverage.last_ns
    if first is None or last is None:
        return
    seconds = (last - first) / 1e9
    what = f"observed for {in_words(last - first)}"
    yield TrustRow(source, first, last, "coverage", "note", what, seconds, unit="s")
    yield from _gaps(source, facts)
    if facts.stopped is not None:
        yield TrustRow(source, last, None, "stopped", "gap", f"not read on: {facts.stopped}")
    if not facts.buses and not facts.others:
        what = "nothing was decoded: no bus was told among its lines"
        yield TrustRow(source, first, last, "undecodable", "doubtful", what)
    for bus in facts.buses:
        if facts.widths is not None:
            yield from _sampling(source, facts, facts.widths, bus)
        yield from (_cut(source, bus.name, cut) for cut in bus.cuts)
    if facts.line_states.height:
        yield from _noise(source, facts.line_states)
        yield from _spikes(source, facts.line_states)


def _gaps(source: str, facts: CaptureFacts) -> Iterator[TrustRow]:
    coarse = [(b.from_ns, b.until_ns) for b in facts.off_beat if b.steps > 1]
    for start, end in facts.coverage.gaps:
        if not any(a <= start and end <= b for a, b in coarse):
            yield _gap(source, start, end, f"not observed for {in_words(end - start)}")
    period = facts.sample_period_ns or 0.0
    for beat in facts.off_beat:
        start, end = beat.from_ns, beat.until_ns
        if beat.steps > 1:
            what = f"a sample only every {in_words(beat.longest_ns)}, elsewhere {in_words(period)}"
            yield TrustRow(
                source,
                start,
                end,
                "coarse-sampling",
                "doubtful",
                what,
                float(beat.longest_ns),
                period,
                "ns",
            )
        elif beat.longest_ns <= GAP_PERIODS * period:
            missing = round(beat.longest_ns / period) - 1 if period else 0
            yield _gap(source, start, end, f"{missing} sample{'s' * (missing != 1)} missing")


def _gap(source: str, start: int, end: int, what: str) -> TrustRow:
    return TrustRow(source, start, end, "not-observed", "gap", what, float(end - start), 0.0, "ns")


def _sampling(
    source: str, facts: CaptureFacts, widths: PulseWidths, bus: BusFacts
) -> Iterator[TrustRow]:
    """Sample period against the narrowest pulse, and against what the measured clock rate needs."""
    low, high = widths.of(bus.scl, high=False), widths.of(bus.scl, high=True)
    clock_ns = low.median_ns() + high.median_ns()
    period, stated = facts.sample_period_ns, facts.sample_period_ns is not None
    if period is None and widths.steps_seen >= _FEWEST_PULSES:
        period = float(widths.step_ns)
    if period is None or not clock_ns or min(low.pulses, high.pulses) < _FEWEST_PULSES:
        return
    mode = mode_of(1e9 / clock_ns)
    need = min(mode.scl_low_min_ns, mode.scl_high_min_ns)
    share = max(w.share_up_to((_FEW_SAMPLES + 0.5) * period) for w in (low, high))
    narrowest = min(
        w.narrowest_ns
        for line in (bus.scl, bus.sda)
        for w in (widths.of(line, high=False), widths.of(line, high=True))
        if w.narrowest_ns
    )
    one_width = max(int(w.counts.max()) / max(int(w.counts.sum()), 1) for w in (low, high))
    coarse = _FEW_SAMPLES * period > need or share > _FEW_SHARE
    if coarse and not stated and one_width > _ALIKE:
        coarse = False
    what = (
        f"{bus.name}: {in_words(period)} a sample; the narrowest pulse has {in_words(narrowest)}, "
        f"and {mode.name} allows {in_words(need)}"
    )
    if coarse:
        what += f"; {share:.0%} of the clock's pulses have two samples or fewer"
    yield TrustRow(
        source,
        facts.coverage.first_ns,
        facts.coverage.last_ns,
        "coarse-sampling" if coarse else "sampling",
        "doubtful" if coarse else "note",
        what,
        period,
        need / _FEW_SAMPLES,
        "ns",
    )


def mode_of(clock_hz: float) -> Limits:
    """The slowest mode of UM10204 table 11 whose clock rate is not below this one."""
    return next((m for m in MODES if clock_hz <= _RATE_SLACK * m.clock_max_hz), MODES[-1])


def _cut(source: str, bus: str, cut: CutSpan) -> TrustRow:
    what = f"{bus}: a transaction ends inside a byte"
    if cut.rows_missing:
        what = f"{bus}: clocks are missing, and the transaction ends inside a byte"
    return TrustRow(source, cut.from_ns, cut.until_ns, "undecodable", "doubtful", what)


def _noise(source: str, states: pl.DataFrame) -> Iterator[TrustRow]:
    """Edges outside any transaction, a row for those near each other."""
    noise = states.filter(pl.col("state") == "noise").sort("bus", "start_ns")
    for (bus,), rows in noise.group_by("bus", maintain_order=True):
        start, end = rows["start_ns"].to_numpy(), rows["end_ns"].to_numpy()
        heads = np.flatnonzero(np.append(True, start[1:] - end[:-1] > _APART_NS))
        for a, b in zip(heads, [*heads[1:], len(start)], strict=True):
            what = f"{bus}: clocks or pulses without a START"
            yield TrustRow(source, int(start[a]), int(end[b - 1]), "undecodable", "doubtful", what)


def _spikes(source: str, states: pl.DataFrame) -> Iterator[TrustRow]:
    spikes = states.filter(pl.col("state") == "spike")
    for (bus,), rows in spikes.group_by("bus", maintain_order=True):
        what = f"{bus}: pulses too short to be traffic were taken out"
        start, end = rows["start_ns"].to_numpy(), rows["end_ns"].to_numpy()
        yield TrustRow(
            source,
            int(start.min()),
            int(end.max()),
            "spikes",
            "note",
            what,
            float(rows.height),
            unit="spikes",
        )

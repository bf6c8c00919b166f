"""From the evidence of a run to what diagnosis looks at: episodes, and the scene around each."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl

from console.bench.model import Bench
from console.diagnosis.cutting import episodes_of
from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.counting import lives_of
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.scene import Levels, Scene, SceneSource
from console.pipeline.evidence import Evidence
from console.pipeline.run_findings import timed_rows
from console.timeline.clocks import ClockMap, Int64s, mapped_ns
from console.timeline.native import native_ns, piece_at
from console.trust.unobserved import NOTHING
from console.watch.from_bench import names_of
from console.watch.names import Names


@dataclass(frozen=True, slots=True, eq=False)
class Peripherals:
    """What is read of a run once, to tell of its peripherals."""

    episodes: Sequence[Episode]  # of every one, in time order; also those that did not fail
    tables: dict[str, pl.DataFrame]  # of the run, their events that have a time
    names: Names
    off_axis: Collection[str]  # sources that have no place on the axis

    def lives(self, run: str) -> list[Life]:
        """Their lives, of a run of that name."""
        return lives_of(self.episodes, self.tables, run, self.names, self.off_axis)


def peripherals_of(evidence: Evidence, bench: Bench) -> Peripherals:
    """The peripherals of a run."""
    tables, observation = timed_rows(evidence.tables), evidence.observation
    episodes = episodes_of(bench, tables, observation)
    return Peripherals(episodes, tables, names_of(bench), observation.off_axis)


def scene_of(evidence: Evidence, tables: dict[str, pl.DataFrame], episode: Episode) -> Scene:
    """One episode in its run.

    Args:
        evidence: of the run.
        tables: its events that have a time (`timed_rows`).
        episode: of that run.
    """
    return Scene(
        episode=episode,
        tables=tables,
        start_ns=evidence.start_ns,
        end_ns=evidence.end_ns,
        sources=scene_sources(evidence),
        sample_ns=_sample_ns(evidence, episode.source, episode.bus),
        wire=partial(wire_between, evidence, episode.source),
    )


def scene_sources(evidence: Evidence) -> list[SceneSource]:
    """The sources of a run, and what each was able to see."""
    observation = evidence.observation
    return [
        SceneSource(
            name=report.name,
            kind=report.kind,
            observed_until_ns=observation.observed_until.get(report.name, evidence.start_ns),
            unobserved=observation.unobserved.get(report.name, NOTHING),
            off_axis=report.name in observation.off_axis,
            away=observation.away.get(report.name, NOTHING),
        )
        for report in evidence.sources
    ]


def wire_between(
    evidence: Evidence, source: str, bus: str, begin_ns: int, end_ns: int
) -> Levels | None:
    """SCL and SDA of a bus over a span, spikes and all; None when they were not kept.

    Of a span with a part that was not observed, what lies before that part.

    Args:
        evidence: of a run that was read with its edges kept.
        source: the capture that has the bus.
        bus: its name.
        begin_ns: common axis.
        end_ns: common axis.
    """
    kept, found = evidence.wires.get(source), evidence.lines_of(bus, source)
    if kept is None or found is None or end_ns < begin_ns:
        return None
    _, lines = found
    clock = evidence.clocks[source]
    near = kept.span(native_ns(clock, begin_ns), native_ns(clock, end_ns, last=True))
    if not len(near.t_ns):
        return None
    scl, sda = (((near.levels >> bit) & 1).astype(np.bool_) for bit in lines.bits)
    moved = np.ones(len(scl), np.bool_)  # other lines of the capture change as well
    moved[1:] = (scl[1:] != scl[:-1]) | (sda[1:] != sda[:-1])
    return Levels(
        t_ns=_common(clock, near.t_ns[moved], begin_ns),
        scl=scl[moved],
        sda=sda[moved],
        until_ns=int(_common(clock, np.array([near.until_ns], np.int64), begin_ns)[0]),
    )


def _common(clock: ClockMap, times_ns: Int64s, near_ns: int) -> Int64s:
    """A capture's times on the axis, by the piece in force at `near_ns`."""
    return mapped_ns(times_ns, piece_at(clock, near_ns))


def _sample_ns(evidence: Evidence, source: str, bus: str) -> int:
    """The sample period, as the trust sheet measured it; 0 when it is not known."""
    trust = evidence.tables.get("trust")
    if trust is None:
        return 0
    rows = trust.filter(
        (pl.col("source") == source)
        & pl.col("kind").is_in(["sampling", "coarse-sampling"])
        & pl.col("value").is_not_null()
        & pl.col("what").str.starts_with(f"{bus}: ")
    )
    return round(float(rows["value"][0])) if rows.height else 0

"""What there is to look at around one episode: what every predicate and feature is given.

Everything is on the common axis. What was not observed is told apart from what was not there:
`knows` says whether a kind of evidence covers a span, and where it does not, nothing may be
concluded from absence.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.tables import TABLES, time_column
from console.diagnosis.episode import Episode
from console.trust.unobserved import NOTHING, Unobserved

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """SCL and SDA of a bus over a span: row i holds from t_ns[i] to t_ns[i + 1].

    Row 0 is the level before the span, with its own time.
    """

    t_ns: Int64s  # [n] common axis, sorted
    scl: Bools  # [n] high
    sda: Bools  # [n] high
    until_ns: int  # until when the last row is known to hold


WireOf = Callable[[str, int, int], "Levels | None"]  # bus, begin, end; None: not kept


def is_own(episode: Episode) -> pl.Expr:
    """Whether rows of `transactions` are to the target of an episode; null of those to nobody.

    A 7-bit and a 10-bit address of the same number are two targets.
    """
    bits = pl.col("address_bits") == episode.address_bits
    return (pl.col("address") == episode.address) & bits


def is_on_bus(episode: Episode) -> pl.Expr:
    """Whether rows are of the bus of an episode, as its capture saw it."""
    return (pl.col("source") == episode.source) & (pl.col("bus") == episode.bus)


def _no_wire(_bus: str, _begin_ns: int, _end_ns: int) -> Levels | None:
    return None


@dataclass(frozen=True, slots=True)
class SceneSource:
    """One source of the run."""

    name: str
    kind: str  # capture, prints, messages, network
    observed_until_ns: int
    unobserved: Unobserved = NOTHING
    off_axis: bool = False  # the order of its events and others' is not known
    away: Unobserved | None = None  # with nothing recorded; None: wherever it was not observed

    def watched(self, from_ns: Int64s, until_ns: Int64s) -> Bools:
        """bool[k]: of each of k stretches of time whether it was recorded all the while.

        What its own numbers say is missing does not count against it: that may be the very fault.
        """
        away = self.unobserved if self.away is None else self.away
        return np.asarray(
            (until_ns <= self.observed_until_ns) & ~away.touches(from_ns, until_ns), np.bool_
        )

    def recorded(self, from_ns: int, until_ns: int) -> bool:
        """The same of one stretch of time."""
        begin, end = np.array([from_ns], np.int64), np.array([until_ns], np.int64)
        return bool(self.watched(begin, end)[0])


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One episode in its run."""

    episode: Episode
    tables: Mapping[str, pl.DataFrame]  # of the whole run; those of `console.bench.tables`
    start_ns: int  # of the run
    end_ns: int
    sources: Sequence[SceneSource]
    sample_ns: int = 0  # period of the capture's samples; 0: not known, or exact edges
    wire: WireOf = field(default=_no_wire)
    devices: Collection[str] = ()  # on the captured buses of the run, described or not

    def table(self, name: str) -> pl.DataFrame:
        """All rows of a table, maybe none."""
        found = self.tables.get(name)
        return pl.DataFrame(schema=dict(TABLES[name])) if found is None else found

    def window(self, name: str, from_ns: int, until_ns: int) -> pl.DataFrame:
        """The rows of a table whose time is in [from_ns, until_ns)."""
        rows = self.table(name)
        times = rows.get_column(time_column(name))
        first = int(times.search_sorted(from_ns, side="left"))
        last = int(times.search_sorted(until_ns, side="left"))
        return rows.slice(first, max(last - first, 0))  # a span turned round holds nothing

    def of_kind(self, kind: str) -> list[SceneSource]:
        """The sources of one kind that are on the axis."""
        return [each for each in self.sources if each.kind == kind and not each.off_axis]

    def knows(self, kind: str, from_ns: int, until_ns: int, source: str = "") -> bool:
        """Whether a source of that kind (that one, if it is named) watched the whole of a span."""
        begin, end = np.array([from_ns], np.int64), np.array([until_ns], np.int64)
        return any(
            each.observed_until_ns >= until_ns and not bool(each.unobserved.touches(begin, end)[0])
            for each in self.of_kind(kind)
            if source in ("", each.name)
        )

    def levels(self, from_ns: int, until_ns: int) -> Levels | None:
        """The wire of the episode's bus over a span; None when it was not kept."""
        return self.wire(self.episode.bus, from_ns, until_ns)

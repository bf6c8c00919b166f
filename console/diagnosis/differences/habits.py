"""How a device lives in one run: how often things happen while it is healthy, and its waits."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.countable import countable, own_transactions
from console.watch.names import Names

Floats = npt.NDArray[np.float64]

_BLOCKS = 16  # of a life, by which it is told how evenly things happen
# Waits kept of each kind, spread over the life: neighbours are alike, so more would prove no more.
_MOST_WAITS = 250
_FEWEST_WAITS = 20


@dataclass(frozen=True, slots=True)
class Rate:
    """How often something happened."""

    n: float
    clumps: float  # variance of its number a block over the mean, at least 1: 1 is as by chance
    sources: frozenset[str] = frozenset()  # that told of it, beside the capture of the device


@dataclass(frozen=True, slots=True, eq=False)
class Habits:
    """A device in the healthy part of one run."""

    run: str
    device: str
    span_ns: int
    rates: Mapping[str, Rate]
    waits: Mapping[str, Floats]  # ns: "gap before ..", "length of .."
    # Other sources that were watched all the while, by name, and their kinds.
    watched: Mapping[str, str] = field(default_factory=dict)

    def could_see(self, name: str, other: Habits) -> bool:
        """Whether something that another run may tell of would have been seen here, had it been.

        Args:
            name: of a rate.
            other: the run; what it did not watch all the while itself is no measure.
        """
        rate = other.rates.get(name)
        return rate is None or all(self._has(each, other, name) for each in rate.sources)

    def _has(self, source: str, other: Habits, name: str) -> bool:
        """Whether a source of another run, or the only one of its kind, was watched in both."""
        kind = other.watched.get(source)
        if kind is None or source in self.watched:
            return kind is not None
        named = name.endswith(f" on {source}")  # it would have another name here
        return not named and all(
            [*each.watched.values()].count(kind) == 1 for each in (self, other)
        )


def habits_of(
    episode: Episode,
    tables: Mapping[str, pl.DataFrame],
    run: str,
    names: Names,
    off_axis: Collection[str] = (),
    watched: Mapping[str, str] | None = None,
) -> Habits:
    """The habits of the device of an episode, up to its last good transaction.

    Args:
        episode: the stretch to look at.
        tables: of its run, on the common axis, sorted.
        run: its name.
        names: who is who.
        off_axis: sources that have no place on the axis.
        watched: the sources that were watched all the while, and their kinds. What others tell of
            is not known to be missing where they tell nothing.
    """
    zero_ns, span_ns = episode.first_good_ns, max(episode.elapsed_ns, 1)
    rates: dict[str, Rate] = {}
    for part in countable(episode, tables, names, off_axis, zero_ns):
        rates |= _rates(part, zero_ns, span_ns, episode.source)
    rates = {name: rate for name, rate in rates.items() if not name.startswith("bytes")}
    waits = _waits(episode, tables)
    return Habits(run, episode.device, span_ns, rates, waits, watched or {})


def _rates(part: pl.DataFrame, zero_ns: int, span_ns: int, own: str) -> dict[str, Rate]:
    block = ((pl.col("t_ns") - zero_ns) * _BLOCKS // (span_ns + 1)).clip(0, _BLOCKS - 1)
    blocks = part.group_by("name", block=block).agg(pl.col("n").sum())
    sums = blocks.group_by("name").agg(n=pl.col("n").sum(), squares=(pl.col("n") ** 2).sum())
    mean = pl.col("n") / _BLOCKS
    variance = (pl.col("squares") - _BLOCKS * mean**2) / (_BLOCKS - 1)
    clumps = pl.max_horizontal(variance / mean, pl.lit(1.0))
    told = part.group_by("name").agg(sources=pl.col("source").unique())
    rows = sums.with_columns(clumps=clumps).join(told, on="name")
    return {
        str(name): Rate(float(n), float(clumps), frozenset(sources) - {own})
        for name, n, clumps, sources in rows.select("name", "n", "clumps", "sources").iter_rows()
    }


def _waits(episode: Episode, tables: Mapping[str, pl.DataFrame]) -> dict[str, Floats]:
    """Gaps before its transactions since its last one's end, and how long they take, by shape."""
    own = own_transactions(episode, tables, episode.first_good_ns).with_columns(
        gap=pl.col("start_ns") - pl.col("end_ns").shift(1),
        length=pl.col("end_ns") - pl.col("start_ns"),
    )
    found = {}
    for (shape,), rows in own.partition_by("shape", as_dict=True).items():
        if shape is None:
            continue
        for word, column in (("gap before", "gap"), ("length of", "length")):
            waits = rows[column].drop_nulls().to_numpy().astype(np.float64)
            if len(waits) >= _FEWEST_WAITS:
                found[f"{word} {shape}"] = _spread(waits)
    return found


def _spread(waits: Floats) -> Floats:
    rows = np.linspace(0, len(waits) - 1, min(len(waits), _MOST_WAITS)).round().astype(np.int64)
    return waits[rows]

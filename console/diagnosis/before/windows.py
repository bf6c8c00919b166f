"""Windows as long as a poll, laid back from the failure, for what has clocks of its own.

The time of a print or message is known within a band. It counts where it surely was: at the late
end of its band. So what the failure made the firmware say is never taken for what came before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.bench.tables import time_column
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Units
from console.diagnosis.before.statistics import LEARNING, Ints, Truths
from console.diagnosis.scene import SceneSource

_MOST_WINDOWS = 50_000
MOST_ROWS = 100_000  # of a table
_BANDS = 4  # a window is at least so many bands long
_LEAST_NS = 50_000_000  # and so long: firmware says late what it saw


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """n windows of one length in time order, the last one ending at the failure."""

    until_ns: int
    length_ns: int
    units: Units

    @property
    def n(self) -> int:
        """How many."""
        return len(self.units.healthy)

    @property
    def from_ns(self) -> int:
        """Where the first one begins."""
        return self.until_ns - self.n * self.length_ns

    def at(self, times_ns: Ints) -> Ints:
        """int64[k]: the window each time lies in; -1 for those in none."""
        found = (times_ns - self.from_ns) // self.length_ns
        return np.where((times_ns >= self.from_ns) & (times_ns < self.until_ns), found, -1)


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """Rows of a table that are surely before the failure, and the windows they lie in."""

    rows: pl.DataFrame  # [k] in order of `late_ns`; `row` is the row of the table
    late_ns: Ints  # [k] the late end of the band of each
    window: Ints  # [k]
    windows: Windows


def heard(history: History, table: str, sources: list[SceneSource]) -> Heard | None:
    """The rows of some sources; None when the last window was not watched by any of them.

    Args:
        history: the polls.
        table: prints, messages or happenings.
        sources: whose rows; on the axis.
    """
    until_ns = history.until_ns
    watching = [each for each in sources if _watched(each, until_ns - 1, until_ns)]
    if not watching:
        return None
    rows, from_ns = _rows(history, table, [each.name for each in watching])
    late = rows["late_ns"].to_numpy()
    windows = _windows(history, rows, from_ns, watching)
    if windows is None or not _watches_last(watching, windows):
        return None
    return Heard(rows, late, windows.at(late), windows)


def _rows(history: History, table: str, names: list[str]) -> tuple[pl.DataFrame, int]:
    """The rows, and from when on they are all of them."""
    frame = history.scene.table(table)
    column = time_column(table)
    until = int(frame[column].search_sorted(history.until_ns, side="left"))
    begin = max(0, until - MOST_ROWS)
    late = (pl.col(column) + pl.col("band_ns").fill_null(0)).alias("late_ns")
    first_ns = int(history.starts_ns[0])
    if begin:
        first_ns = max(first_ns, int(frame[column][begin]))
    rows = (
        frame.slice(begin, until - begin)
        .with_row_index("row", begin)
        .with_columns(late)
        .filter(pl.col("source").is_in(names) & (pl.col("late_ns") < history.until_ns))
        .sort("late_ns", maintain_order=True)
    )
    return rows, first_ns


def _windows(
    history: History, rows: pl.DataFrame, from_ns: int, sources: list[SceneSource]
) -> Windows | None:
    """As long as a poll; longer where the bands of the rows ask for it."""
    bands = rows["band_ns"].drop_nulls().to_numpy()
    band_ns = int(np.median(bands)) if len(bands) else 0
    length = max(history.period_ns, _BANDS * band_ns, _LEAST_NS)
    n = min((history.until_ns - from_ns) // length, _MOST_WINDOWS)
    if n < 1:
        return None
    begins = history.until_ns - length * np.arange(n, 0, -1, dtype=np.int64)
    healthy = _healthy(history, begins, length)
    for each in sources:
        healthy &= ~each.unobserved.touches(begins, begins + length)
    healthy[: n // LEARNING] = False
    return Windows(history.until_ns, length, Units(healthy, n - 1))


def _healthy(history: History, begins: Ints, length: int) -> Truths:
    """bool[n]: windows that touch healthy polls alone."""
    units = history.units
    starts = history.starts_ns[: units.last + 1]
    ill = np.append(0, np.cumsum(~units.healthy[: units.last + 1]))
    first = np.maximum(np.searchsorted(starts, begins, side="right") - 1, 0)
    over = np.searchsorted(starts, begins + length, side="left")
    return np.asarray(ill[over] == ill[first], np.bool_)


def _watched(source: SceneSource, from_ns: int, until_ns: int) -> bool:
    begin, end = np.array([from_ns], np.int64), np.array([until_ns], np.int64)
    in_time = source.observed_until_ns >= from_ns
    return in_time and not bool(source.unobserved.touches(begin, end)[0])


def _watches_last(sources: list[SceneSource], windows: Windows) -> bool:
    begin = windows.until_ns - windows.length_ns
    return any(_watched(each, begin, windows.until_ns) for each in sources)

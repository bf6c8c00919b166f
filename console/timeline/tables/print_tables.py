"""Prints as a table on the common axis, and which of a log's clocks they are timed by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.clocks import NO_BAND, ClockMap
from console.timeline.tables.bus_tables import blanked, constant, words
from decoders.prints.columns import CLOCKS, LEVELS, NO_TIME, Prints

WALL = CLOCKS.index("wall")


@dataclass(frozen=True, slots=True, eq=False)
class PrintTimes:
    """When each line was printed, on the one clock chosen for its log."""

    clock: str  # "firmware", "host", or "" when the log has no times at all
    is_wall: bool  # ns since 1970
    native_ns: npt.NDArray[np.int64]  # [n] a line without a stamp stands at the line before it
    epoch: npt.NDArray[np.int64]  # [n]
    timed: npt.NDArray[np.bool_]  # [n] False where no line before it had a stamp either


@dataclass(frozen=True, slots=True, eq=False)
class ExactTimes:
    """Lines whose time on the common axis is known without the log's own clock."""

    rows: npt.NDArray[np.int64]  # [k] rows of the log
    common_ns: npt.NDArray[np.int64]  # [k]
    band_ns: npt.NDArray[np.int64]  # [k]


def print_times(rows: Prints) -> PrintTimes:
    """Times by the firmware's own stamps where it has any, else by the host's arrival stamps."""
    stamped, arrived = rows.stamped, rows.arrived
    if stamped.any():
        carried = _carried(stamped)
        native = rows.native_ns[carried]
        is_wall = bool((rows.clock[stamped] == WALL).all())
        return PrintTimes(
            "firmware", is_wall, native, rows.epoch[carried].astype(np.int64), stamped[carried]
        )
    carried = _carried(arrived)
    native = rows.arrival_ns[carried]
    epoch = np.zeros(len(rows), np.int64)
    is_wall = bool(arrived.any() and native[arrived[carried]].min() > _YEAR_2001_NS)
    return PrintTimes("host" if arrived.any() else "", is_wall, native, epoch, arrived[carried])


def wire_times(rows: Prints) -> PrintTimes:
    """Times by the start edges of lines that a capture saw being sent."""
    epoch = np.zeros(len(rows), np.int64)
    return PrintTimes("capture", False, rows.arrival_ns, epoch, rows.arrived)


_YEAR_2001_NS = 978_307_200 * 10**9  # arrival stamps below this count from some start instead


def _carried(known: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """For each row, the last row up to it that is known; before the first one, itself."""
    at = np.where(known, np.arange(len(known)), -1)
    last = np.maximum.accumulate(at) if len(at) else at
    return np.where(last < 0, np.arange(len(known)), last)


def prints_frame(
    rows: Prints,
    times: PrintTimes,
    source: str,
    clock: ClockMap,
    exact: ExactTimes | None = None,
) -> pl.DataFrame:
    """The `prints` table of one source, by time; `t_ns` is null where a log has no times.

    Lines whose time is known otherwise have that time and its band.
    """
    native = np.where(times.timed, times.native_ns, 0)
    common, bands, timed = clock.common_ns(native), clock.bands_ns(native), times.timed
    if exact is not None:
        common[exact.rows], bands[exact.rows] = exact.common_ns, exact.band_ns
        timed = timed.copy()
        timed[exact.rows] = True
    frame = pl.DataFrame(
        {
            "t_ns": blanked(pl.Series(common), ~timed),
            "source": constant(source, len(rows)),
            "native_ns": blanked(pl.Series(rows.native_ns), rows.native_ns == NO_TIME),
            "level": words(rows.level, LEVELS),
            "text": pl.Series(rows.texts(), dtype=pl.String),
            "damaged": pl.Series(rows.damaged, dtype=pl.Boolean),
            "fields": pl.Series(rows.fields_json(), dtype=pl.String),
            "band_ns": blanked(pl.Series(bands), (bands == NO_BAND) | ~timed),
        }
    )
    return frame.sort("t_ns", maintain_order=True, nulls_last=True)

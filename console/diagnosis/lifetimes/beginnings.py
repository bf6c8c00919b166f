"""From when a life is counted: the board's boot where its log shows one, else the first answer."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.boots import say_boot
from console.diagnosis.lifetimes.lives import Zero

Int64s = npt.NDArray[np.int64]

# Two tasks may print a little out of order; a restart goes back by more.
_OUT_OF_ORDER_NS = 1_000_000_000
# The first stamp of a log that begins with the boot; a preset tick begins elsewhere.
_YOUNG_NS = 60_000_000_000
_SAID_WITHIN_NS = (
    2_000_000_000  # of a boot; a board that says later that it boots has a preset tick
)
_LONGEST_TICK_NS = 10**16  # 116 days: beyond, a stamp is a date


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """The stamps of one board's log: its clock beside the common axis, rollovers undone."""

    t_ns: Int64s  # [n] common axis, sorted
    native_ns: Int64s  # [n] the board's
    boots_ns: Int64s  # [k] when it booted, as far as it shows; common axis, sorted

    def tick_at(self, t_ns: int) -> int | None:
        """The board's clock at a moment, from the last stamp before it; None before the first.

        Also None where stamps are dates and no ticks.
        """
        row = int(np.searchsorted(self.t_ns, t_ns, side="right")) - 1
        if row < 0 or self.native_ns[row] > _LONGEST_TICK_NS:
            return None
        return int(self.native_ns[row] + t_ns - self.t_ns[row])

    def boot_before(self, t_ns: int) -> int | None:
        """The last boot not after a moment."""
        row = int(np.searchsorted(self.boots_ns, t_ns, side="right")) - 1
        return int(self.boots_ns[row]) if row >= 0 else None


def stamps_of(prints: pl.DataFrame, off_axis: Collection[str] = ()) -> Stamps | None:
    """The stamps of the log that has most; None when none has any.

    Args:
        prints: the table of that name.
        off_axis: sources that have no place on the axis.
    """
    stamped = prints.filter(
        pl.col("native_ns").is_not_null()
        & pl.col("t_ns").is_not_null()
        & ~pl.col("source").is_in(list(off_axis))
    )
    if not stamped.height:
        return None
    most = stamped["source"].value_counts(sort=True)["source"][0]
    own = stamped.filter(pl.col("source") == most)
    t_ns, native_ns = own["t_ns"].to_numpy(), own["native_ns"].to_numpy()
    said = np.flatnonzero(say_boot(own["text"]).to_numpy())
    rows = np.concatenate([[0], _restarts(t_ns, native_ns)])
    after = np.append(t_ns[said], np.iinfo(np.int64).max)[t_ns[said].searchsorted(t_ns[rows])]
    rows = rows[after - t_ns[rows] > _SAID_WITHIN_NS]  # else the board says itself when it was
    young = (native_ns[rows] >= 0) & (native_ns[rows] <= _YOUNG_NS)
    restarted = (rows > 0) & ~young  # of one whose tick was preset only the moment is known
    boots = np.where(young, t_ns[rows] - native_ns[rows], t_ns[rows])[young | restarted]
    early = (native_ns[said] >= 0) & (native_ns[said] <= _SAID_WITHIN_NS)
    boots_said = np.where(early, t_ns[said] - native_ns[said], t_ns[said])
    return Stamps(t_ns, native_ns, np.sort(np.concatenate([boots, boots_said])))


def _restarts(t_ns: Int64s, native_ns: Int64s) -> Int64s:
    """Rows before which the board restarted: stamps went back, or are young after a long gap."""
    passed, ticked = np.diff(t_ns), np.diff(native_ns)
    back = ticked < -_OUT_OF_ORDER_NS
    behind = passed - ticked > _OUT_OF_ORDER_NS + passed // 10  # no oscillator is so slow
    young = (native_ns[1:] >= 0) & (native_ns[1:] <= np.minimum(passed, _YOUNG_NS))
    rows: Int64s = np.flatnonzero(back | (behind & young)) + 1
    return rows


def beginning(
    stamps: Stamps | None, first_good_ns: int, ended_before_ns: int | None
) -> tuple[Zero, int]:
    """What a life is counted from, and when that was.

    Args:
        stamps: of the board's log.
        first_good_ns: the first answer of the life.
        ended_before_ns: when the life before it, in the same run, ended.
    """
    boot_ns = stamps.boot_before(first_good_ns) if stamps is not None else None
    if boot_ns is not None and (ended_before_ns is None or boot_ns >= ended_before_ns):
        return "boot", boot_ns
    return ("first seen" if ended_before_ns is None else "answered again"), first_good_ns

"""The peripheral's own polls before it stopped, the last good one among them.

A unit is a poll and everything until the next: what lies between its start and the start of the
poll after it. The last good unit so ends at the first unanswered transaction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.before.judging import Units
from console.diagnosis.before.kinds import POLLS_BEFORE
from console.diagnosis.before.statistics import LEARNING, Ints, Truths, codes_of
from console.diagnosis.scene import Scene, is_on_bus, is_own
from console.watch.asked import asked_by_target
from console.watch.polls import PollCutter, Polls

MOST_ROWS = 500_000  # transactions of the bus that are looked back over
MOST_POLLS = 50_000
_LEAST_LEARNING = 32

# A transaction's form: direction, length, first byte written, how it began and ended.
_SHAPE = pl.concat_str(
    pl.when("read").then(pl.lit("r")).otherwise(pl.lit("w")),
    (pl.col("data").str.len_bytes() // 2).cast(pl.String),
    pl.when("read").then(pl.lit("")).otherwise(pl.col("data").str.slice(0, 2)),
    "started_by",
    "ended_by",
    pl.col("problems").list.join("+"),
    separator="|",
    ignore_nulls=True,
)


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """Transactions up to the first unanswered one, and the units they make."""

    scene: Scene
    bus: pl.DataFrame  # [m] of all addresses; `row` is the row of the table
    own: pl.DataFrame  # [k] of the peripheral, the first unanswered one last if there is one
    own_at: Ints  # [k] its rows in `bus`
    unit: Ints  # [k] of each own row
    starts_ns: Ints  # [n] of each unit
    until_ns: int  # the first unanswered transaction, or when the peripheral was missed
    units: Units
    shape: Ints  # [k] equal for own rows of one shape

    @property
    def n(self) -> int:
        """How many units, that of the first unanswered transaction among them."""
        return len(self.starts_ns)

    @property
    def period_ns(self) -> int:
        """The usual time from one poll to the next."""
        starts = self.starts_ns[: self.units.last + 1]
        return int(np.median(np.diff(starts))) if len(starts) > 1 else 0

    def units_at(self, times_ns: Ints) -> Ints:
        """int64[j]: the unit each time lies in; -1 before the first, and from `until_ns` on."""
        starts = self.starts_ns[: self.units.last + 1]
        found = np.searchsorted(starts, times_ns, side="right") - 1
        return np.where(times_ns < self.until_ns, found, -1)


def history_of(scene: Scene) -> History | None:
    """The polls before an episode; None when there is nothing before it."""
    episode = scene.episode
    if not episode.transactions_answered:
        return None
    table = scene.table("transactions")
    until_row = int(table["start_ns"].search_sorted(episode.first_bad_ns, side="right"))
    begin_row = max(0, until_row - 4 * MOST_ROWS)
    bus = (
        table.slice(begin_row, until_row - begin_row)
        .with_row_index("row", begin_row)
        .filter(is_on_bus(episode))
        .tail(MOST_ROWS)
    )
    own_at = bus.select(pl.arg_where(is_own(episode))).to_series().to_numpy().astype(np.int64)
    own = bus[own_at]
    is_bad = own["start_ns"].to_numpy() >= episode.first_bad_ns
    asked = dict(asked_by_target(own.filter(~pl.Series(is_bad))))
    if not asked:
        return None
    ((_, rows),) = asked.items()
    cutter = PollCutter()
    parts = [cutter.feed(rows), cutter.finish()]
    starts = np.concatenate([polls.start_ns for polls in parts])
    healthy = np.concatenate([_sound(polls) for polls in parts])
    last = int(np.searchsorted(starts, episode.last_good_ns, side="right")) - 1
    if last < 0:
        return None
    starts, healthy = starts[: last + 1], healthy[: last + 1]
    skipped = max(0, last - MOST_POLLS)
    keep = own["start_ns"].to_numpy() >= starts[skipped]
    keep[np.flatnonzero(is_bad)[1:]] = False
    own, own_at, is_bad, starts = (
        own.filter(pl.Series(keep)),
        own_at[keep],
        is_bad[keep],
        starts[skipped:],
    )
    return _history(scene, bus, own, own_at, is_bad, starts, healthy[skipped:])


def _history(
    scene: Scene,
    bus: pl.DataFrame,
    own: pl.DataFrame,
    own_at: Ints,
    is_bad: Truths,
    starts: Ints,
    sound: Truths,
) -> History:
    last = len(starts) - 1
    unit = np.searchsorted(starts, own["start_ns"].to_numpy(), side="right") - 1
    unit[is_bad] = last + 1
    bad = last + 1 if is_bad.any() else None
    if bad is not None:
        starts = np.append(starts, scene.episode.first_bad_ns)
    healthy = np.zeros(len(starts), np.bool_)
    healthy[:last] = sound[:-1] & sound[1:]
    healthy[max(0, last - POLLS_BEFORE) :] = False
    healthy[: max(_LEAST_LEARNING, last // LEARNING)] = False
    return History(
        scene=scene,
        bus=bus,
        own=own,
        own_at=own_at,
        unit=unit,
        starts_ns=starts,
        until_ns=scene.episode.first_bad_ns,
        units=Units(healthy, last, bad),
        shape=codes_of(own.select(_SHAPE).to_series()),
    )


def _sound(polls: Polls) -> Truths:
    """bool[n]: polls of which everything was answered, and not with filler."""
    return np.asarray(polls.answered & (polls.bad == 0) & ~polls.filler, np.bool_)

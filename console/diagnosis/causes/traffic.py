"""The transactions of a scene's bus and of its device, and the shapes that are usual there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from console.diagnosis.scene import Bools, Int64s, Scene, is_on_bus, is_own

_SHAPES_AT_MOST = 64  # a bus with more has no shapes to learn: its first bytes are data
_SEEN_AT_LEAST = 3  # times a shape was seen before it counts as usual

# Address, its bits, direction, length, joint, and of a write its first byte: a register, a command.
SHAPE = pl.concat_str(
    pl.col("address").cast(pl.String).fill_null("?"),
    pl.col("address_bits").cast(pl.String).fill_null("?"),
    pl.when(pl.col("read").fill_null(value=False)).then(pl.lit("R")).otherwise(pl.lit("W")),
    (pl.col("data").str.len_bytes() // 2).cast(pl.String),
    pl.col("started_by").str.slice(0, 1),
    pl.when(pl.col("read").fill_null(value=False))
    .then(pl.lit(""))
    .otherwise(pl.col("data").str.slice(0, 2)),
    separator=" ",
)
LENGTH = pl.col("data").str.len_bytes() // 2
# A check code that is none, or a spike that the filter took out, leaves a transaction whole.
WHOLE = pl.col("problems").list.set_difference(["pec", "spike", "reserved-address"]).list.len() == 0


@dataclass(eq=False)
class Traffic:
    """Transactions over the life of one device.

    Attributes:
        bus: all of its bus, with `shape`, `length` and `answered`, in start order.
        own: those to its address.
        last_good_ns: start of the last answered one of it.
        first_bad_ns: where its dead stretch begins.
        whole_run: of its bus over the whole run, other episodes of the device included.
        ended: whether its life ended though nothing was told as a stop.
    """

    bus: pl.DataFrame
    own: pl.DataFrame
    last_good_ns: int
    first_bad_ns: int
    whole_run: pl.DataFrame
    ended: bool = False

    def ending(self, first_bad_ns: int) -> Traffic:
        """The same with a dead stretch that begins there."""
        good = self.own.filter((pl.col("start_ns") < first_bad_ns) & pl.col("answered") & WHOLE)
        last = int(good["start_ns"][-1]) if good.height else first_bad_ns
        return Traffic(self.bus, self.own, last, first_bad_ns, self.whole_run, ended=True)

    @cached_property
    def own_run(self) -> pl.DataFrame:
        """Of the device, over the whole run."""
        target = ["address", "address_bits"]
        return self.whole_run.join(
            self.own.select(target).unique(), target, "semi", maintain_order="left"
        )

    @cached_property
    def bus_start_ns(self) -> Int64s:
        """int64[n] of the bus."""
        return self.bus["start_ns"].to_numpy()

    @cached_property
    def healthy(self) -> pl.DataFrame:
        """Of the bus, before the dead stretch."""
        return self.bus.filter(pl.col("start_ns") < self.first_bad_ns)

    @cached_property
    def own_healthy(self) -> pl.DataFrame:
        """Of the device, before the dead stretch."""
        return self.own.filter(pl.col("start_ns") < self.first_bad_ns)

    @cached_property
    def own_dead(self) -> pl.DataFrame:
        """Of the device, in its dead stretch."""
        return self.own.filter(pl.col("start_ns") >= self.first_bad_ns)

    @cached_property
    def dead(self) -> pl.DataFrame:
        """Of the bus, in the dead stretch."""
        return self.bus.filter(pl.col("start_ns") >= self.first_bad_ns)

    @cached_property
    def last_good_end_ns(self) -> int:
        """Where the last answered transaction of the device ends."""
        rows = self.own.filter(pl.col("start_ns") <= self.last_good_ns)
        return int(rows["end_ns"][-1]) if rows.height else self.last_good_ns

    @cached_property
    def last(self) -> pl.DataFrame:
        """The bus's last four transactions before the dead stretch, and its first one in it."""
        return pl.concat([self.healthy.tail(4), self.dead.head(1)])

    @cached_property
    def addresses(self) -> list[int]:
        """Who ever answered on this bus."""
        answered = self.bus.filter(pl.col("answered"))["address"].drop_nulls().unique().sort()
        return answered.to_list()

    @cached_property
    def usual_shapes(self) -> set[str] | None:
        """Shapes seen often enough before the end; None where the bus has no fixed ones."""
        seen = self.healthy.head(max(self.healthy.height - 5, 0)).filter(WHOLE)
        counts = seen["shape"].value_counts()
        usual = counts.filter(pl.col("count") >= _SEEN_AT_LEAST)
        few = 1 <= usual.height <= _SHAPES_AT_MOST
        most = usual["count"].sum() >= 0.98 * max(seen.height, 1)
        return set(usual["shape"].to_list()) if few and most else None

    @cached_property
    def period_ns(self) -> int:
        """Median time between the device's polls, 0 when it is not known."""
        starts = polls_of(self.own_healthy)["start_ns"].to_numpy()
        return int(np.median(np.diff(starts))) if len(starts) > 3 else 0

    @cached_property
    def replies(self) -> pl.DataFrame:
        """The device's whole reads, with `asked` (the write they follow, else "") and `gap_ns`."""
        return _with_requests(self.own).filter(
            pl.col("read") & pl.col("address_acked") & (pl.col("length") > 0)
        )

    @cached_property
    def silent(self) -> bool:
        """Whether nothing at all was sent on the bus in its dead stretch."""
        return self.dead.height == 0


def _with_requests(own: pl.DataFrame) -> pl.DataFrame:
    """Own rows beside the write before each: what was asked for, and how long ago."""
    previous = pl.col("read").shift(1).fill_null(value=True)
    return own.with_columns(
        asked=pl.when(~previous).then(pl.col("data").shift(1)).otherwise(pl.lit("")),
        gap_ns=pl.when(~previous).then(pl.col("start_ns") - pl.col("end_ns").shift(1)),
    )


def traffic_of(scene: Scene, life: tuple[int, int]) -> Traffic:
    """The traffic of a scene's bus over the life of its device; of a whole run all buses."""
    episode = scene.episode
    rows = scene.table("transactions")
    if episode.device:
        rows = rows.filter(is_on_bus(episode))
    refused = pl.col("problems").list.contains("data-nack").fill_null(value=False)
    rows = rows.with_columns(
        shape=SHAPE,
        length=LENGTH,
        answered=pl.col("address_acked").fill_null(value=False) & ~refused,
    )
    whole, rows = rows, rows.filter(pl.col("start_ns").is_between(*life, closed="left"))
    own = rows.filter(is_own(episode)) if episode.device else rows
    return Traffic(rows, own, episode.last_good_ns, episode.first_bad_ns, whole)


def polls_of(own: pl.DataFrame) -> pl.DataFrame:
    """One row of each poll: the reads, or the writes of a device that is seldom read."""
    reads = own.filter(pl.col("read"))
    return reads if reads.height * 4 >= own.height else own.filter(~pl.col("read"))


def runs_of(flags: Bools) -> tuple[Int64s, Int64s]:
    """Begins and lengths of the runs of True."""
    padded = np.concatenate([[False], flags, [False]]).astype(np.int8)
    change = np.diff(padded)
    begins = np.flatnonzero(change == 1)
    return begins, np.flatnonzero(change == -1) - begins

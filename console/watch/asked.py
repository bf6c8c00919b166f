"""From the tables to what each target was asked, and what its bus was like meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from console.watch.gaps import Ints
from console.watch.polls import Asked, Codes
from console.watch.replies import OUTCOMES
from console.watch.rule import Batch
from console.watch.silences import BusLife
from console.watch.stops import ADDRESS_NACK, DATA_NACK, INVALID, SCL_STUCK, SDA_STUCK

_STATES = ["idle", "sda-held", "scl-held", "both-held", "not-observed"]
# UM10204 table 4: the addresses outside 0x08..0x77 are reserved.
FIRST_ADDRESS, LAST_ADDRESS = 0x08, 0x77


@dataclass(frozen=True, slots=True, order=True)
class BusKey:
    """A bus of a source; two captures may both have an i2c-1."""

    source: str
    bus: str


@dataclass(frozen=True, slots=True, order=True)
class TargetKey:
    """A target on a bus."""

    bus: BusKey
    address: int
    bits: int

    @property
    def reserved(self) -> bool:
        """Whether the address has a meaning of its own and is no target's, as a rule."""
        return self.bits == 7 and not FIRST_ADDRESS <= self.address <= LAST_ADDRESS


def asked_by_target(frame: pl.DataFrame) -> Iterator[tuple[TargetKey, Asked]]:
    """The whole transactions of each target; what was cut says nothing about an answer."""
    read, data = pl.col("read"), pl.col("data")
    stuck = pl.col("ended_by") == "stuck"
    clock = pl.col("problems").list.contains("scl-held")
    refused = ~read & pl.col("acks").str.contains("N", literal=True)
    bad = (
        pl.when(stuck & clock)
        .then(SCL_STUCK)
        .when(stuck)
        .then(SDA_STUCK)
        .when(~pl.col("address_acked"))
        .then(ADDRESS_NACK)
        .when(refused)
        .then(DATA_NACK)
        .when(pl.col("problems").list.contains("cut-in-byte"))  # given up
        .then(INVALID)
        .otherwise(0)
    )
    content = read & (data.str.len_bytes() >= 4)
    filled = data.str.strip_chars("f") == ""
    blank = read & (data != "") & (filled | (data.str.strip_chars("0") == ""))
    whole = frame.filter(
        pl.col("address").is_not_null()
        & (pl.col("started_by") != "cut")
        & (pl.col("ended_by") != "cut")
    ).select(
        "source",
        "bus",
        "address",
        "address_bits",
        "start_ns",
        "end_ns",
        read.fill_null(False),
        (pl.col("started_by") == "restart").alias("restart"),
        bad.cast(pl.UInt8).alias("bad"),
        (content & filled).fill_null(False).alias("filler"),
        content.fill_null(False).alias("content"),
        blank.fill_null(False).alias("blank"),
    )
    if not whole.height:
        return
    keys = ["source", "bus", "address", "address_bits"]
    parts = whole.partition_by(keys, as_dict=True, include_key=False)
    for (source, bus, address, bits), part in parts.items():
        yield (
            TargetKey(BusKey(source, bus), int(address), int(bits)),
            Asked(
                start_ns=part["start_ns"].to_numpy(),
                end_ns=part["end_ns"].to_numpy(),
                read=part["read"].to_numpy(),
                restart=part["restart"].to_numpy(),
                bad=part["bad"].to_numpy(),
                filler=part["filler"].to_numpy(),
                content=part["content"].to_numpy(),
                blank=part["blank"].to_numpy(),
            ),
        )


def exchanges_by_device(frame: pl.DataFrame) -> dict[str, tuple[Ints, Codes]]:
    """When each device was asked something described, and 1 + index into OUTCOMES."""
    if not frame.height:
        return {}
    codes = {word: k + 1 for k, word in enumerate(OUTCOMES)}
    rows = frame.select(
        "device",
        "request_ns",
        pl.col("outcome").replace_strict(codes, default=0, return_dtype=pl.UInt8),
    ).filter((pl.col("outcome") > 0) & pl.col("request_ns").is_not_null())
    parts = rows.partition_by("device", as_dict=True)
    return {
        str(device): (part["request_ns"].to_numpy(), part["outcome"].to_numpy())
        for (device,), part in parts.items()
    }


@dataclass(slots=True)
class BusLives:
    """A fold over what happens on the buses besides one target's traffic."""

    buses: dict[BusKey, BusLife] = field(default_factory=dict)

    def of(self, key: BusKey) -> BusLife:
        """The life of one bus."""
        return self.buses.setdefault(key, BusLife())

    def feed(self, batch: Batch) -> None:
        """Take the next batch."""
        traffic = _by_bus(batch.table("transactions").select("source", "bus", "start_ns", "end_ns"))
        states = _by_bus(
            batch.table("line_states")
            .select("source", "bus", "start_ns", "end_ns", "state")
            .filter(pl.col("state").is_in(_STATES))
        )
        prints = _prints_on_axis(batch)
        for key in {*traffic, *states, *self.buses}:
            life = self.of(key)
            if key in traffic:
                life.traffic.feed(traffic[key]["start_ns"].to_numpy())
                life.seen(traffic[key]["end_ns"])
            if key in states:
                _take_states(life, states[key])
            # Prints count only while the bus is known to be watched: a log often runs longer.
            known_ns = batch.observed_until.get(key.source)
            if known_ns is not None and key.source not in batch.off_axis:
                life.prints.feed(prints[: np.searchsorted(prints, known_ns, side="right")])


def _prints_on_axis(batch: Batch) -> Ints:
    """Times of the prints that have a place among the events of a bus."""
    prints = batch.table("prints")
    if batch.off_axis:
        prints = prints.filter(~pl.col("source").is_in(list(batch.off_axis)))
    return prints["t_ns"].to_numpy()


def _take_states(life: BusLife, states: pl.DataFrame) -> None:
    spans = {"sda-held": life.sda_held, "scl-held": life.scl_held, "not-observed": life.unobserved}
    for word, known in spans.items():
        words = [word, "both-held"] if word == "scl-held" else [word]
        part = states.filter(pl.col("state").is_in(words))
        known.feed(part["start_ns"].to_numpy(), part["end_ns"].to_numpy())
    life.seen(states.filter(pl.col("state") != "not-observed")["end_ns"])


def _by_bus(frame: pl.DataFrame) -> dict[BusKey, pl.DataFrame]:
    if not frame.height:
        return {}
    parts = frame.partition_by("source", "bus", as_dict=True, include_key=False)
    return {BusKey(str(source), str(bus)): part for (source, bus), part in parts.items()}

"""The hold with which a dead stretch begins, and the transfer it cut."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from console.diagnosis.scene import Scene

_HELD = ("sda-held", "scl-held", "both-held")
_LATE_NS = 100_000_000  # a line held so long before the first bad transaction still made it bad


@dataclass(frozen=True, slots=True)
class Hold:
    """A line held low."""

    state: str  # sda-held, scl-held, both-held
    start_ns: int
    end_ns: int
    slot: int  # clocks since the last byte border, 0..8; -1 outside any transfer
    turn: str  # controller, target, unknown
    address: int | None  # of the transfer it cut; None outside any, or cut in the address
    read: bool
    start_of_transfer_ns: int | None
    data: bytes  # of that transfer
    last_acked: bool  # the last whole byte, the address byte included
    bytes_done: int

    @property
    def of_clock(self) -> bool:
        """Whether it is SCL that was held."""
        return self.state != "sda-held"

    @property
    def in_target_byte(self) -> bool:
        """Whether the target was sending a data byte of a read."""
        return self.read and self.turn == "target" and 0 <= self.slot <= 7

    @property
    def length_ns(self) -> int:
        """How long it lasted, as far as it was seen."""
        return self.end_ns - self.start_ns


def hold_of(scene: Scene) -> Hold | None:
    """The first hold of the episode's bus that overlaps its dead stretch or leads to it."""
    episode = scene.episode
    if not episode.failed:
        return None
    states = scene.table("line_states").filter(
        (pl.col("bus") == episode.bus)
        & (pl.col("source") == episode.source)
        & pl.col("state").is_in(_HELD)
        & (pl.col("end_ns") > episode.first_bad_ns - _LATE_NS)
        & (pl.col("end_ns") > episode.last_good_ns)
        & (pl.col("start_ns") <= episode.until_ns)
    )
    if not states.height:
        return None
    return _with_transfer(scene, states.sort("start_ns").row(0, named=True))


def _with_transfer(scene: Scene, state: dict[str, object]) -> Hold:
    start = int(str(state["start_ns"]))
    rows = scene.table("transactions").filter(
        (pl.col("bus") == scene.episode.bus)
        & (pl.col("source") == scene.episode.source)
        & (pl.col("start_ns") <= start)
        & (pl.col("end_ns") >= start - 1)
    )
    slot = state["bit_slot"]
    row = rows.row(-1, named=True) if rows.height and slot is not None else {}
    acks = row.get("acks") or ""
    acked = acks[-1:] == "A" if acks else bool(row.get("address_acked"))
    return Hold(
        state=str(state["state"]),
        start_ns=start,
        end_ns=int(str(state["end_ns"])),
        slot=-1 if slot is None else int(str(slot)),
        turn=str(state["turn"] or "unknown"),
        address=row.get("address"),
        read=bool(row.get("read")),
        start_of_transfer_ns=row.get("start_ns"),
        data=bytes.fromhex(row.get("data") or ""),
        last_acked=acked,
        bytes_done=len(acks),
    )

"""Cuts of the simulator as the program sees them: the wire, and the decoder's tables of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from captures_demo.simulator.capture import Instrument
from captures_demo.simulator.clocks import Clock
from captures_demo.simulator.cuts import (
    UNTIL_HIGH,
    Cut,
    CutRun,
    CutTruth,
    Recovery,
    Transfer,
    played,
)
from captures_demo.simulator.lines import Trace
from console.bench.tables import TABLES
from console.diagnosis.episode import Episode
from console.diagnosis.held.held import Held
from console.diagnosis.held.held_lines import LINES, held_lines, held_of, transaction_of
from console.diagnosis.scene import Levels, Scene, SceneSource
from console.timeline.tables.bus_tables import line_states_frame, transactions_frame
from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import concatenated
from decoders.captures.edges import Edges

ADDRESS = 0x54
SOURCE, BUS = "wire", "i2c-1"
_SCL, _SDA = 0, 1


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A stretch of wire, with the tables."""

    levels: Levels
    transactions: pl.DataFrame
    states: pl.DataFrame
    truth: CutTruth | None = field(default=None)

    @property
    def held_rows(self) -> list[dict[str, Any]]:
        return [row for row in self.states.iter_rows(named=True) if row["state"] in LINES]

    def held(self, *, wire: bool = True) -> list[Held]:
        """What is held, by `held_lines`; without the wire, from the tables alone."""
        return held_lines(self.scene(wire=wire))

    def first(self, *, wire: bool = True) -> Held:
        """The first line that is held, by `held_of`."""
        row = self.held_rows[0]
        transaction = transaction_of(self.transactions, row)
        return held_of([row], transaction, self.levels if wire else None, self.transactions)

    def scene(self, *, wire: bool = True) -> Scene:
        end_ns = self.levels.until_ns
        episode = Episode(
            device="target",
            source=SOURCE,
            bus=BUS,
            address=ADDRESS,
            address_bits=7,
            first_good_ns=0,
            last_good_ns=0,
            first_bad_ns=1,
            until_ns=end_ns,
            failed=True,
            recovered=False,
            how="sda-stuck",
            transactions_answered=1,
            polls_answered=1,
            transactions_unanswered=0,
        )
        tables = {
            name: frame.select(
                pl.col(column) if column in frame.columns else pl.lit(None, kind).alias(column)
                for column, kind in TABLES[name].items()
            )
            for name, frame in (("transactions", self.transactions), ("line_states", self.states))
        }
        levels_of = (lambda _bus, _begin, _end: self.levels) if wire else (lambda *_: None)
        sources = [SceneSource(SOURCE, "capture", end_ns)]
        return Scene(episode, tables, 0, end_ns, sources, wire=levels_of)


def seen(run: CutRun, *, until_ns: int | None = None, rate_hz: int | None = None) -> Seen:
    """A cut that was played, up to a time; the whole of it by default."""
    wire = seen_wire(run.trace, run.truth.end_ns if until_ns is None else until_ns, rate_hz)
    return Seen(wire.levels, wire.transactions, wire.states, run.truth)


def seen_wire(trace: Trace, end_ns: int, rate_hz: int | None = None) -> Seen:
    """The lines of a trace, which stood high before, up to a time; maybe sampled."""
    t_ns, words = trace.columns()
    inside = t_ns < end_ns
    t_ns, words = t_ns[inside], words[inside]
    if rate_hz is not None:
        instrument = Instrument(Clock("analyser"), rate_hz)
        recorded = instrument.record(t_ns, words, ("scl", "sda"), end_ns)
        t_ns, words = recorded.t_ns, recorded.levels
    t_ns = np.concatenate([[-1], t_ns]).astype(np.int64)
    words = np.concatenate([[3], words]).astype(np.uint8)
    decoder = I2cDecoder(_SCL, _SDA, wait_ns=None)
    given = [decoder.feed(Edges(t_ns, words, True, end_ns)), decoder.finish()]
    return Seen(
        Levels(t_ns, (words & 1).astype(np.bool_), (words & 2).astype(np.bool_), end_ns),
        transactions_frame(concatenated([part[0] for part in given]), SOURCE, BUS),
        line_states_frame(concatenated([part[1] for part in given]), SOURCE, BUS),
    )


def seen_cut(transfer: Transfer, cut: Cut, recovery: Recovery = UNTIL_HIGH) -> Seen:
    """Play a cut and see all of it."""
    return seen(played(transfer, cut, recovery))


def bits_to_send(transfer: Transfer, clocks: int) -> list[int]:
    """The bits a target has still to send in the byte it is in, by the transfer alone.

    In the acknowledge of the address of a read, those of the first byte; else the acknowledge has
    none, and neither has a write.
    """
    byte, slot = divmod(clocks, 9)
    if not transfer.read:
        return []
    if byte == 0:
        return [int(bit) for bit in f"{transfer.data[0]:08b}"]
    return [int(bit) for bit in f"{transfer.data[byte - 1]:08b}"[slot + 1 :]]

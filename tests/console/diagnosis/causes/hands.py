"""Scenes made by hand: waves drawn bit by bit and decoded, prints and messages as lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from console.bench.tables import TABLES
from console.diagnosis.episode import Episode, whole_run
from console.diagnosis.scene import Levels, Scene, SceneSource
from console.timeline.tables.bus_tables import line_states_frame, transactions_frame
from decoders.buses.i2c import I2cDecoder
from decoders.buses.transactions import concatenated
from decoders.captures.edges import Edges

US, MS, S = 1_000, 1_000_000, 1_000_000_000
ADDRESS = 0x2E
HALF_NS = 5 * US


@dataclass
class Wave:
    """Two lines, drawn. Between calls SCL is low inside a transfer and high outside."""

    now_ns: int = 0
    rows: list[tuple[int, int, int]] = field(default_factory=lambda: [(0, 1, 1)])

    def level(self, scl: int, sda: int, *, for_ns: int = HALF_NS // 2) -> None:
        """Put the lines to levels and let time pass."""
        if self.rows[-1][1:] != (scl, sda):
            self.rows.append((self.now_ns, scl, sda))
        self.now_ns += for_ns

    def wait(self, for_ns: int) -> None:
        """Let time pass."""
        self.now_ns += for_ns

    def until(self, t_ns: int) -> None:
        """Let time pass until a moment."""
        self.now_ns = max(self.now_ns, t_ns)

    def start(self) -> None:
        """START; a repeated one from a low clock."""
        if not self.rows[-1][1]:
            self.level(0, 1)
        self.level(1, 1)
        self.level(1, 0)
        self.level(0, 0)

    def stop(self) -> None:
        """STOP."""
        self.level(0, 0)
        self.level(1, 0)
        self.level(1, 1, for_ns=2 * HALF_NS)

    def bit(self, sda: int, *, high_ns: int = HALF_NS, low_ns: int = HALF_NS) -> None:
        """One clock."""
        before = self.rows[-1][2]
        self.level(0, before, for_ns=low_ns // 2)
        self.level(0, sda, for_ns=low_ns - low_ns // 2)
        self.level(1, sda, for_ns=high_ns)
        self.level(0, sda, for_ns=0)

    def byte(self, value: int, *, nack: bool = False, stretch_ns: int = 0) -> None:
        """Eight bits and the ninth clock, whose successor waits for a stretch."""
        for at in range(7, -1, -1):
            self.bit(value >> at & 1)
        self.bit(int(nack), low_ns=HALF_NS + stretch_ns)

    def poll(self, data: bytes, *, register: int = 0x10, address: int = ADDRESS) -> None:
        """A register write, a repeated START and a read."""
        self.start()
        self.byte(address << 1)
        self.byte(register)
        self.start()
        self.byte(address << 1 | 1)
        for at, value in enumerate(data):
            self.byte(value, nack=at == len(data) - 1)
        self.stop()

    def refused(self, address: int = ADDRESS) -> None:
        """A transfer whose address nobody acknowledges."""
        self.start()
        self.byte(address << 1, nack=True)
        self.stop()

    def edges(self) -> Edges:
        """As a capture."""
        t_ns, scl, sda = (np.array(column, np.int64) for column in zip(*self.rows, strict=True))
        levels = (scl | sda << 1).astype(np.uint8)
        return Edges(t_ns=t_ns, levels=levels, until_ns=self.now_ns, begins=True)


def wrote(wave: Wave, *values: int, address: int = ADDRESS) -> None:
    """A write of its own."""
    wave.start()
    for value in (address << 1, *values):
        wave.byte(value)
    wave.stop()


def took(wave: Wave, data: bytes, *, address: int = ADDRESS) -> None:
    """A read of its own."""
    wave.start()
    wave.byte(address << 1 | 1)
    for at, value in enumerate(data):
        wave.byte(value, nack=at == len(data) - 1)
    wave.stop()


def value_of(k: int) -> bytes:
    """A reply that differs each time: a count and a value with noise of its own."""
    return bytes([k >> 8 & 0xFF, k & 0xFF, 0x40, (k * 37 + k // 3) % 251])


def noisy(count: int, *, level: int = 400, spread: float = 20.0) -> list[bytes]:
    """Replies of a value in two bytes that has noise of its own."""
    values = np.random.default_rng(5).normal(level, spread, count).astype(int)
    return [int(value).to_bytes(2, "big") for value in values]


def healthy(wave: Wave, polls: int = 40, *, period_ns: int = 20 * MS, first: int = 0) -> None:
    """So many answered polls."""
    for k in range(first, first + polls):
        begin = wave.now_ns
        wave.poll(value_of(k))
        wave.until(begin + period_ns)


def scene_of(
    wave: Wave,
    *,
    how: str = "",
    first_bad_ns: int | None = None,
    prints: Sequence[tuple[int, str]] | None = (),
    messages: Sequence[dict[str, object]] | None = (),
    sample_ns: int = 0,
    kept: bool = True,
    capture: bool = True,
) -> Scene:
    """The scene of one device; with `how` it failed at `first_bad_ns`, else at no time.

    `prints` or `messages` None: no such source.
    """
    end = wave.now_ns
    edges = wave.edges()
    decoder = I2cDecoder(0, 1, held_ns=25 * MS)
    parts = [decoder.feed(edges), decoder.finish()]
    transactions = transactions_frame(concatenated([p[0] for p in parts]), "wire", "i2c-1")
    states = line_states_frame(concatenated([p[1] for p in parts]), "wire", "i2c-1")
    tables = {
        "transactions": _as_table("transactions", transactions if capture else None),
        "line_states": _as_table("line_states", states if capture else None),
        "prints": _prints(prints or ()),
        "messages": _messages(messages or ()),
    }
    kinds = [("wire", "capture", capture), ("log", "prints", prints is not None)]
    kinds.append(("broker", "messages", messages is not None))
    sources = [SceneSource(name, kind, end) for name, kind, there in kinds if there]

    def wire(_bus: str, begin_ns: int, end_ns: int) -> Levels | None:
        if not kept or not capture:
            return None
        first = max(int(edges.t_ns.searchsorted(begin_ns, "right")) - 1, 0)
        last = int(edges.t_ns.searchsorted(end_ns, "right"))
        rows = slice(first, last)
        scl, sda = edges.levels & 1, edges.levels >> 1 & 1
        until = min(end, max(end_ns, int(edges.t_ns[last - 1])))
        return Levels(
            edges.t_ns[rows], scl[rows].astype(np.bool_), sda[rows].astype(np.bool_), until
        )

    episode = _episode(tables["transactions"], end, how, first_bad_ns)
    return Scene(episode, tables, 0, end, sources, sample_ns, wire)


def run_of(
    prints: Sequence[tuple[int, str]], messages: Sequence[dict[str, object]], end_ns: int
) -> Scene:
    """A run as a whole, without a capture."""
    tables = {"prints": _prints(prints), "messages": _messages(messages)}
    sources = [SceneSource("log", "prints", end_ns), SceneSource("broker", "messages", end_ns)]
    return Scene(whole_run(0, end_ns), tables, 0, end_ns, sources)


def _episode(
    transactions: pl.DataFrame, end_ns: int, how: str, first_bad_ns: int | None
) -> Episode:
    bad = end_ns if first_bad_ns is None else first_bad_ns
    good = transactions.filter(pl.col("address_acked") & (pl.col("start_ns") < bad))
    starts = good["start_ns"]
    return Episode(
        device="hopper",
        source="wire",
        bus="i2c-1",
        address=ADDRESS,
        address_bits=7,
        first_good_ns=int(starts[0]) if starts.len() else 0,
        last_good_ns=int(starts[-1]) if starts.len() else 0,
        first_bad_ns=bad,
        until_ns=end_ns,
        failed=bool(how),
        recovered=False,
        how=how,
        transactions_answered=good.height,
        polls_answered=good.height // 2,
        transactions_unanswered=0,
    )


def _as_table(name: str, frame: pl.DataFrame | None) -> pl.DataFrame:
    empty = pl.DataFrame(schema=dict(TABLES[name]))
    if frame is None:
        return empty
    full = frame.with_columns(band_ns=pl.lit(0, dtype=pl.Int64))
    return pl.concat([empty, full.select(empty.columns)], how="vertical_relaxed")


def _prints(rows: Sequence[tuple[int, str]]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {"t_ns": t, "source": "log", "native_ns": t, "level": "I", "text": text}
            | {"damaged": False, "fields": "{}", "band_ns": 0}
            for t, text in rows
        ],
        schema=dict(TABLES["prints"]),
    )


def _messages(rows: Sequence[dict[str, object]]) -> pl.DataFrame:
    usual = {"source": "broker", "client": "", "direction": "to-broker", "qos": 0}
    usual |= {"retain": False, "duplicate": False, "fields": "{}", "band_ns": 0}
    return pl.DataFrame([usual | row for row in rows], schema=dict(TABLES["messages"]))

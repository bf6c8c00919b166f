"""Three nodes and a broker as a simulation of discrete events, of which every cause is known.

A panel sends commands through a broker to a gate's board, which moves the gate by a bus and answers
through the broker to a desk. Each of the seven hops loses some of what goes over it, with a share
that is set; messages are delayed, some come again, some late in a burst. All three boards print.
Nothing here knows how links are found: causes are written down as they happen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from heapq import heappop, heappush

import numpy as np
import polars as pl

from console.bench.model import Bench
from console.bench.tables import TABLES
from console.timeline.parties import Parties, parties_of
from tests.console.timeline.linked_worlds import empty_tables

MS, S = 1_000_000, 1_000_000_000
COMMAND, STATE = "gate/command", "gate/state"
HOPS = ("publish", "deliver", "write", "reply", "tell", "answer", "arrive")
BANDS_NS = {"panel": 2 * MS, "gate": 1 * MS, "desk": 2 * MS, "broker": 2 * MS, "wire": 0}
Node = tuple[str, int]  # table, number of the event in it


@dataclass(frozen=True, slots=True)
class Plan:
    """What goes on."""

    commands: int = 2_000
    each_s: float = 10.0
    lost: Mapping[str, float] = field(default_factory=dict)  # by hop
    again: float = 0.01  # of messages that come a second time, with the mark of that
    network_ms: float = 4.0  # mean of a delivery, beside 1 ms
    bits: int = 16  # of the number that tells commands apart


@dataclass(slots=True)
class Noted:
    """Events of one table as they happen."""

    rows: list[dict[str, object]] = field(default_factory=list)
    causes: list[Node | None] = field(default_factory=list)
    hops: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """The tables, and what was cause of what."""

    tables: dict[str, pl.DataFrame]
    parties: Parties
    causes: dict[tuple[str, int], tuple[str, int]]  # (table, row) of an effect: of its cause
    tried: Mapping[str, int]  # by hop, how often something went over it
    lost: Mapping[str, int]


class Bench3:
    """The simulation."""

    def __init__(self, seed: int, plan: Plan) -> None:
        self.plan, self.rng = plan, np.random.default_rng(seed)
        self.noted = {name: Noted() for name in ("prints", "messages", "packets")}
        self.exchanges: list[tuple[int, int | None]] = []  # request, reply
        self.tried, self.lost = dict.fromkeys(HOPS, 0), dict.fromkeys(HOPS, 0)
        self._queue: list[tuple[int, int, str, int, Node | None]] = []
        self._order = 0
        self._wrong = {s: int(self.rng.uniform(-0.5, 0.5) * band) for s, band in BANDS_NS.items()}

    def run(self) -> World:
        """Let everything happen."""
        gaps = self.rng.exponential(S / self.plan.each_s, self.plan.commands).astype(np.int64)
        for k, t_ns in enumerate(np.cumsum(gaps + 10 * MS).tolist()):
            self._at(t_ns, "send", k, None)
        while self._queue:
            t_ns, _, what, k, cause = heappop(self._queue)
            getattr(self, f"_{what}")(t_ns, k, cause)
        return self._world()

    def _at(self, t_ns: int, what: str, k: int, cause: Node | None) -> None:
        self._order += 1
        heappush(self._queue, (t_ns, self._order, what, k, cause))

    def _over(self, hop: str, t_ns: int, what: str, k: int, cause: Node) -> None:
        """Something goes over a hop, or is lost on it."""
        self.tried[hop] += 1
        if self.rng.random() < self.plan.lost.get(hop, 0.0):
            self.lost[hop] += 1
        else:
            self._at(t_ns, what, k, cause)

    def _after(self, mean_ms: float, least_ms: float) -> int:
        return int((least_ms + self.rng.exponential(mean_ms)) * MS)

    def _note(self, table: str, cause: Node | None, hop: str, **row: object) -> Node:
        noted = self.noted[table]
        noted.rows.append(row)
        noted.causes.append(cause)
        noted.hops.append(hop)
        return table, len(noted.rows) - 1

    def _print(self, t_ns: int, board: str, text: str, cause: Node | None, hop: str) -> Node:
        at = t_ns + self._wrong[board]
        return self._note("prints", cause, hop, t_ns=at, source=board, text=text)

    def _message(self, t_ns: int, topic: str, told: str, cause: Node, *, again: bool) -> Node:
        at = t_ns + self._wrong["broker"]
        hop = "publish" if topic == COMMAND else "answer"
        return self._note(
            "messages", cause, hop, t_ns=at, topic=topic, fields=told, duplicate=again
        )

    def _packet(self, t_ns: int, name: str, direction: str, told: str, cause: Node) -> Node:
        hop = "write" if name == "set" else "reply"
        rows = {"start_ns": t_ns, "end_ns": t_ns + 300_000, "packet": name}
        return self._note("packets", cause, hop, **rows, direction=direction, fields=told)

    def _number(self, k: int) -> int:
        return k % (1 << self.plan.bits)

    # What happens, by name; each goes over the next hop.

    def _send(self, t_ns: int, k: int, _cause: Node | None) -> None:
        told = self._print(t_ns, "panel", f"sent command {self._number(k)}", None, "")
        self._over("publish", t_ns + self._network(), "command", k, told)

    def _command(self, t_ns: int, k: int, cause: Node | None) -> None:
        assert cause is not None
        told = f'{{"n":{self._number(k)},"angle":{(k * 37) % 181}}}'
        node = self._message(t_ns, COMMAND, told, cause, again=False)
        if self.rng.random() < self.plan.again:
            self._message(t_ns + 300 * MS, COMMAND, told, cause, again=True)
        self._over("deliver", t_ns + self._network(), "got", k, node)

    def _got(self, t_ns: int, k: int, cause: Node | None) -> None:
        node = self._print(t_ns, "gate", f"command {self._number(k)} taken", cause, "deliver")
        self._over("write", t_ns + self._after(1.0, 4.0), "set", k, node)

    def _set(self, t_ns: int, k: int, cause: Node | None) -> None:
        assert cause is not None
        node = self._packet(t_ns, "set", "write", f'{{"tag":{self._number(k)}}}', cause)
        self.exchanges.append((t_ns, None))
        self._over("reply", t_ns + 1 * MS, "done", k, node)

    def _done(self, t_ns: int, k: int, cause: Node | None) -> None:
        assert cause is not None
        asked = next(
            n
            for n in range(len(self.exchanges) - 1, -1, -1)
            if self.exchanges[n][0] == t_ns - 1 * MS
        )
        self.exchanges[asked] = t_ns - 1 * MS, t_ns
        node = self._packet(t_ns, "done", "read", f'{{"tag":{self._number(k)}}}', cause)
        self._over("tell", t_ns + self._after(1.0, 3.0), "tell", k, node)

    def _tell(self, t_ns: int, k: int, cause: Node | None) -> None:
        node = self._print(t_ns, "gate", f"gate stands, tag {self._number(k)}", cause, "tell")
        self._over("answer", t_ns + self._network(), "state", k, node)

    def _state(self, t_ns: int, k: int, cause: Node | None) -> None:
        assert cause is not None
        node = self._message(t_ns, STATE, f'{{"tag":{self._number(k)}}}', cause, again=False)
        self._over("arrive", t_ns + self._network(), "shown", k, node)

    def _shown(self, t_ns: int, k: int, cause: Node | None) -> None:
        self._print(t_ns, "desk", f"gate state {self._number(k)}", cause, "arrive")

    def _network(self) -> int:
        return self._after(self.plan.network_ms, 5.0)

    def _world(self) -> World:
        tables = empty_tables()
        places: dict[Node, tuple[str, int]] = {}
        for name, noted in self.noted.items():
            time = next(iter(TABLES[name]))
            frame = pl.DataFrame(noted.rows).with_row_index("at").sort(time, maintain_order=True)
            places |= {(name, at): (name, row) for row, at in enumerate(frame["at"].to_list())}
            tables[name] = _whole(name, frame.drop("at"))
        tables["exchanges"] = _exchanges(self.exchanges)
        tables["transactions"] = _transactions(tables["packets"])
        causes = {
            places[name, at]: places[cause]
            for name, noted in self.noted.items()
            for at, cause in enumerate(noted.causes)
            if cause is not None
        }
        return World(tables, parties_of(tables, Bench()), causes, self.tried, self.lost)


def _whole(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """With every column of the table."""
    more = {
        "prints": {"level": pl.lit("info"), "damaged": pl.lit(False)},
        "messages": {
            "source": pl.lit("broker"),
            "payload": pl.col("fields") if name == "messages" else pl.lit(""),
            "retain": pl.lit(False),
        },
        "packets": {
            "bus": pl.lit("i2c-1"),
            "device": pl.lit("servo"),
            "valid": pl.lit(True),
            "problems": pl.lit([], dtype=pl.List(pl.String)),
        },
    }[name]
    source = pl.col("source") if name == "prints" else pl.lit("broker")
    bands = BANDS_NS if name != "packets" else {"broker": 0}
    told = frame.with_columns(**more).with_columns(
        band_ns=source.replace_strict(bands, return_dtype=pl.Int64)
    )
    return pl.concat([pl.DataFrame(schema=TABLES[name]), told], how="diagonal")


def _transactions(packets: pl.DataFrame) -> pl.DataFrame:
    """One under each packet."""
    rows = packets.select(
        "start_ns",
        "end_ns",
        source=pl.lit("wire"),
        bus=pl.lit("i2c-1"),
        address=pl.lit(41, dtype=pl.Int32),
        read=pl.col("direction") == "read",
        address_acked=pl.lit(True),
        band_ns=pl.lit(0, dtype=pl.Int64),
    )
    return pl.concat([pl.DataFrame(schema=TABLES["transactions"]), rows], how="diagonal")


def _exchanges(rows: list[tuple[int, int | None]]) -> pl.DataFrame:
    schema = {"request_ns": pl.Int64, "reply_ns": pl.Int64}
    frame = pl.DataFrame(rows, schema=schema, orient="row").sort("request_ns")
    came = pl.col("reply_ns").is_not_null()
    return frame.select(
        "request_ns",
        "reply_ns",
        device=pl.lit("servo"),
        request=pl.lit("set"),
        reply=pl.when(came).then(pl.lit("done")),
        outcome=pl.when(came).then(pl.lit("answered")).otherwise(pl.lit("none")),
        latency_ns=pl.col("reply_ns") - pl.col("request_ns"),
        band_ns=pl.lit(0, dtype=pl.Int64),
    )


def three_nodes(seed: int, plan: Plan) -> World:
    """One run, the same for the same seed and plan."""
    return Bench3(seed, plan).run()

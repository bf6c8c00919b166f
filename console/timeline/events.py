"""Every event of a run in one order: an index over the tables, a few bytes an event.

An event is a row of a table, shown once: a transaction that a packet was decoded from is shown as
the packet; an exchange is shown only where no reply came, as the absence it is, when it was asked
for; of links only those that did not happen, when they were due. The index holds what a screen asks
of thousands of events at once (when, whose, good or bad); everything else is looked up in the row.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock
from typing import Protocol

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.tables import time_column
from console.timeline.parties import Parties

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# Tables whose rows are events, in the order in which events of one time are shown: causes first.
EVENT_TABLES = (
    "transactions",
    "packets",
    "words",
    "pulses",
    "line_states",
    "exchanges",  # a reply that did not come
    "happenings",  # of a source itself: what it saw comes after its being opened
    "prints",
    "messages",
    "links",  # an effect that did not come
)
GOOD, ODD, BAD, UNSEEN = range(4)  # UNSEEN: the evidence could not have shown it
BAD_LEVELS = ("error", "critical", "alert", "emergency", "fatal")
ODD_LEVELS = ("warning",)
STEADY_NS = 5_000  # by which a servo's pulses may differ and command the same
CREPT_NS = 50_000  # a command that creeps is told again after so much of it
PAUSE = 1.5  # usual periods without a pulse, after which the next is told
BAD_HAPPENINGS = ("refused", "lost", "keep-alive", "duel", "malformed", "connection-refused")
ODD_HAPPENINGS = (
    "closed", "retry", "break", "framing", "parity", "dropped", "taken-over", "half-handshake",
    "violation", "message-refused", "unread",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """n events by time, 16 bytes each; the first column's order is the order of the rows shown."""

    t_ns: Int64s  # [n] common axis, rising
    table: npt.NDArray[np.uint8]  # [n] index into EVENT_TABLES
    row: npt.NDArray[np.uint32]  # [n] row of that table
    party: npt.NDArray[np.uint16]  # [n] index into Parties.every
    state: npt.NDArray[np.uint8]  # [n] GOOD, ODD, BAD or UNSEEN

    def __len__(self) -> int:
        return len(self.t_ns)

    def at(self, t_ns: int) -> int:
        """The event nearest to a time, the later of two equally near; 0 when there is none."""
        if not len(self):
            return 0
        k = int(np.searchsorted(self.t_ns, t_ns))
        if k == len(self) or (k and t_ns - self.t_ns[k - 1] < self.t_ns[k] - t_ns):
            return k - 1
        return k

    def find(self, table: str, row: int) -> int | None:
        """The event that shows a row of a table; None where it is shown by none."""
        k = EVENT_TABLES.index(table)
        found = np.flatnonzero((self.table == k) & (self.row == row))
        return int(found[0]) if len(found) else None


def events_of(tables: Mapping[str, pl.DataFrame], parties: Parties) -> Events:
    """The index over the tables of a run; rows without a time are left out.

    Args:
        tables: the tables of events by name; `links` may be missing.
        parties: whose column each row goes to.
    """
    known = [name for name in EVENT_TABLES if name in tables]
    whose = _Once(tables, parties)
    with ThreadPoolExecutor(2) as pool:  # transactions take as long as all others together
        parts = list(pool.map(lambda name: _part(name, tables, whose), known))
    t_ns, row, party, state = (np.concatenate([part[k] for part in parts]) for k in range(4))
    codes = np.array([EVENT_TABLES.index(name) for name in known], np.uint8)
    table = np.repeat(codes, [len(part[0]) for part in parts])
    # Stable, and the parts stand in the order of EVENT_TABLES: causes first at one time.
    order = np.argsort(t_ns, kind="stable")
    return Events(t_ns[order], table[order], row[order], party[order], state[order])


class Whose(Protocol):
    """What tells whose column each row goes to."""

    def column_of(self, table: str) -> pl.Expr:
        """Of the rows of a table."""


class _Once:
    """Whose each row of a table is, looked up once: names of a million rows take their time."""

    def __init__(self, tables: Mapping[str, pl.DataFrame], parties: Parties) -> None:
        self._tables, self._parties = tables, parties
        self._lock = Lock()
        self._found: dict[str, pl.Expr] = {}

    def column_of(self, table: str) -> pl.Expr:
        """As `Parties.column_of`."""
        with self._lock:
            if table not in self._found:
                told = self._parties.column_of(table).alias(
                    "party of row"
                )  # one value may do for all
                column = self._tables[table].with_columns(told)["party of row"]
                self._found[table] = pl.lit(column)
            return self._found[table]


# times, rows, parties, states
_Part = tuple[Int64s, npt.NDArray[np.uint32], npt.NDArray[np.uint16], npt.NDArray[np.uint8]]


def _part(name: str, tables: Mapping[str, pl.DataFrame], whose: Whose) -> _Part:
    """The events of one table."""
    found = tables[name].select(**_SHOWN[name](tables, whose))
    shows = (found["shows"] & found["t_ns"].is_not_null()).to_numpy()
    rows = np.flatnonzero(shows).astype(np.uint32)
    if len(rows) < found.height:
        found = found.filter(pl.Series(shows))
    return (
        found["t_ns"].cast(pl.Int64).to_numpy(),
        rows,
        found["party"].cast(pl.UInt16).to_numpy(),
        found["state"].cast(pl.UInt8).to_numpy(),
    )


def _states(*, bad: pl.Expr, odd: pl.Expr | None = None) -> pl.Expr:
    otherwise = pl.lit(GOOD) if odd is None else pl.when(odd).then(ODD).otherwise(GOOD)
    return pl.when(bad).then(BAD).otherwise(otherwise)


def _transactions(tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("start_ns"),
        "party": whose.column_of("transactions"),
        "state": _states(bad=pl.col("problems").list.len() > 0),
        "shows": pl.lit(pl.Series(outside_packets(tables, whose))),
    }


def outside_packets(tables: Mapping[str, pl.DataFrame], whose: Whose) -> Bools:
    """Which transactions do not begin within a packet of their party; those that do it shows.

    Between two transactions of one packet the controller may turn to others on the bus.
    """
    transactions, packets = tables["transactions"], tables["packets"]
    start, begin, end = (
        table[column].to_numpy()
        for table, column in (
            (transactions, "start_ns"),
            (packets, "start_ns"),
            (packets, "end_ns"),
        )
    )
    did = transactions.select(whose.column_of("transactions")).to_series().to_numpy()
    spoke = packets.select(whose.column_of("packets")).to_series().to_numpy()
    outside = np.ones(transactions.height, np.bool_)
    for bus in packets["bus"].unique().drop_nulls():
        on_bus, spoken = (t["bus"].eq_missing(bus).to_numpy() for t in (transactions, packets))
        for party in np.flatnonzero(np.bincount(spoke[spoken])):
            rows = np.flatnonzero(on_bus & (did == party))
            own = np.flatnonzero(spoken & (spoke == party))
            own = own[np.argsort(begin[own], kind="stable")]
            begins, ends = begin[own], np.maximum.accumulate(end[own])
            at = np.searchsorted(begins, start[rows], side="right") - 1
            shown = (at >= 0) & ((start[rows] == begins[at]) | (start[rows] < ends[at]))
            outside[rows[shown]] = False
    return outside


def _packets(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("start_ns"),
        "party": whose.column_of("packets"),
        "state": _states(bad=~pl.col("valid")),
        "shows": pl.lit(True),
    }


def _exchanges(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("request_ns"),
        "party": whose.column_of("exchanges"),
        "state": pl.when(pl.col("outcome") == "none").then(BAD).otherwise(UNSEEN),
        "shows": pl.col("outcome").is_in(["none", "not-observable"]),
    }


def _prints(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("t_ns"),
        "party": whose.column_of("prints"),
        "state": _states(
            bad=pl.col("level").is_in(BAD_LEVELS).fill_null(False),
            odd=pl.col("level").is_in(ODD_LEVELS).fill_null(False) | pl.col("damaged"),
        ),
        "shows": pl.lit(True),
    }


def _messages(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("t_ns"),
        "party": whose.column_of("messages"),
        "state": _states(bad=pl.lit(False), odd=pl.col("duplicate").fill_null(False)),
        "shows": pl.lit(True),
    }


def _happenings(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("t_ns"),
        "party": whose.column_of("happenings"),
        "state": _states(
            bad=pl.col("what").is_in(BAD_HAPPENINGS), odd=pl.col("what").is_in(ODD_HAPPENINGS)
        ),
        "shows": pl.lit(True),
    }


def _words(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("start_ns"),
        "party": whose.column_of("words"),
        "state": _states(bad=pl.col("problems").list.len() > 0),
        "shows": pl.lit(True),
    }


def _pulses(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    """Pulses; of a servo's steady command, which comes 50 times a second, the first."""
    width, line = pl.col("width_ns"), ("source", "line")
    kept = width.diff().abs().over(line) <= STEADY_NS
    kept &= ((width + CREPT_NS // 2) // CREPT_NS).diff().over(line) == 0
    kept &= pl.col("period_ns") <= PAUSE * pl.col("period_ns").median().over(line)
    steady = pl.col("angle_deg").is_not_null() & kept
    return {
        "t_ns": pl.col("start_ns"),
        "party": whose.column_of("pulses"),
        "state": pl.lit(GOOD),
        "shows": ~steady.fill_null(value=False),
    }


def _line_states(_tables: Mapping[str, pl.DataFrame], whose: Whose) -> dict[str, pl.Expr]:
    state = (
        pl.when(pl.col("state") == "not-observed")
        .then(UNSEEN)
        .when(pl.col("state").is_in(["sda-held", "scl-held", "both-held"]))
        .then(BAD)
        .otherwise(ODD)
    )
    return {
        "t_ns": pl.col("start_ns"),
        "party": whose.column_of("line_states"),
        "state": state,
        "shows": pl.col("state") != "idle",
    }


def _links(_tables: Mapping[str, pl.DataFrame], _whose: Whose) -> dict[str, pl.Expr]:
    return {
        "t_ns": pl.col("to_ns"),
        "party": pl.col("to_party"),
        "state": pl.when(pl.col("outcome") == "missing").then(BAD).otherwise(UNSEEN),
        "shows": pl.col("outcome") != "seen",
    }


_SHOWN = {
    "transactions": _transactions,
    "packets": _packets,
    "words": _words,
    "pulses": _pulses,
    "line_states": _line_states,
    "exchanges": _exchanges,
    "happenings": _happenings,
    "prints": _prints,
    "messages": _messages,
    "links": _links,
}


def band_column(table: pl.DataFrame, rows: npt.NDArray[np.uint32]) -> Int64s:
    """Half-widths within which the times of some rows are known; -1 where not at all."""
    if "band_ns" not in table.columns:
        return np.zeros(len(rows), np.int64)
    found: Int64s = table["band_ns"].gather(rows).fill_null(-1).to_numpy()
    return found


def row_time(table: str) -> str:
    """The column an event of a table takes its time from."""
    return "to_ns" if table == "links" else time_column(table)

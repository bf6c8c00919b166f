"""Runs of which it is known what caused what: tables on one axis, with rows taken out again.

Every period a board asks a sensor, prints what it answered and publishes it; now and then it is
sent a command, prints that, and answers. Each source has a clock that is wrong by less than its
band. Rows may be lost or come twice; what was lost is told with what it should have followed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.bench.model import Bench
from console.bench.tables import TABLES
from console.timeline.links.table import links_of
from console.timeline.parties import Parties, parties_of
from console.trust.unobserved import Unobserved

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

MS = 1_000_000
PRINT_BAND_NS, MESSAGE_BAND_NS = 1 * MS, 4 * MS
LEVEL, COMMAND, STATE = "line/sensor/level", "line/gate/command", "line/gate/state"


@dataclass(frozen=True, slots=True)
class Plan:
    """What goes on in one world."""

    polls: int = 3_000
    period_ns: int = 100 * MS
    wraps_at: int = 1 << 16  # of the counter the sensor sends
    prints_lost: float = 0.0
    messages_lost: float = 0.0
    repeated: float = 0.0  # messages that come again, up to 2 s later
    replies_lost: float = 0.0
    commands: int = 60
    chatter: int = 200  # prints that have nothing to do with it


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """The tables, and the rows that lack an effect: (table, row, table of the effect)."""

    tables: dict[str, pl.DataFrame]
    parties: Parties
    lacking: set[tuple[str, int, str]]


def world(seed: int, plan: Plan) -> World:
    """One run, the same for the same seed and plan."""
    rng = np.random.default_rng(seed)
    n, period = plan.polls, plan.period_ns
    asked = np.arange(n) * period + rng.integers(0, period // 50, n)
    replied = rng.random(n) >= plan.replies_lost
    poll = np.arange(n)
    done = asked + 1_500_000
    printed = done + rng.exponential(200_000, n).astype(np.int64)
    published = printed + 800_000 + rng.exponential(1_500_000, n).astype(np.int64)
    levels = rng.integers(100, 900, n)
    sequence = (np.cumsum(replied) - 1) % plan.wraps_at
    has_print = replied & (rng.random(n) >= plan.prints_lost)
    has_message = replied & (rng.random(n) >= plan.messages_lost)

    tables = empty_tables()
    tables["packets"] = _packets(asked, replied, sequence, levels)
    tables["exchanges"] = _exchanges(asked, replied)
    tables["transactions"] = _transactions(asked)
    prints = [
        (printed[k], f"sensor: poll {k} seq {sequence[k]} level {levels[k]}")
        for k in np.flatnonzero(has_print).tolist()
    ]
    messages = [
        (published[k], LEVEL, f'{{"n":{m},"poll":{k},"mm":{levels[k]}}}')
        for m, k in enumerate(np.flatnonzero(replied).tolist())
        if has_message[k]
    ]
    messages += [
        (t + int(rng.integers(300 * MS, 2_000 * MS)), topic, fields)
        for t, topic, fields in list(messages)
        if rng.random() < plan.repeated
    ]
    span = n * period
    for k, at in enumerate(np.sort(rng.integers(0, span, plan.commands)).tolist()):
        gate = "left" if k % 2 else "right"
        turned = at + 2_000_000 + int(rng.exponential(500_000))
        reached = turned + int(rng.integers(100 * MS, 200 * MS))
        messages.append((at, COMMAND, f'{{"n":{k},"gate":"{gate}"}}'))
        prints.append((turned, f"gate: command {k} {gate}"))
        messages.append((reached + 2_000_000, STATE, f'{{"command":{k},"gate":"{gate}"}}'))
    prints += [
        (at, f"idle: load {rng.integers(0, 100)}")
        for at in rng.integers(0, span, plan.chatter).tolist()
    ]
    tables["prints"] = prints_of(prints, _wrong_by(rng, PRINT_BAND_NS))
    tables["messages"] = messages_of(messages, _wrong_by(rng, MESSAGE_BAND_NS))
    lacking = _lacking(tables, replied, has_print, has_message, poll)
    return World(tables, parties_of(tables, Bench()), lacking)


def empty_tables() -> dict[str, pl.DataFrame]:
    """Every table of events without a row."""
    return {name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()}


def _wrong_by(rng: np.random.Generator, band_ns: int) -> int:
    return int(rng.integers(-band_ns, band_ns) // 2)


def _packets(asked: Int64s, replied: Bools, sequence: Int64s, levels: Int64s) -> pl.DataFrame:
    n, m = len(asked), int(replied.sum())
    fields = [f'{{"sequence":{s},"level":{v}}}' for s, v in zip(sequence, levels, strict=True)]
    rows = {
        "start_ns": np.concatenate([asked, asked[replied] + 700_000]),
        "end_ns": np.concatenate([asked + 500_000, asked[replied] + 1_500_000]),
        "packet": ["ask"] * n + ["reading"] * m,
        "direction": ["write"] * n + ["read"] * m,
        "fields": ["{}"] * n + [f for f, r in zip(fields, replied, strict=True) if r],
    }
    frame = pl.DataFrame(rows).with_columns(
        bus=pl.lit("bus"),
        device=pl.lit("sensor"),
        valid=pl.lit(True),
        problems=pl.lit([], dtype=pl.List(pl.String)),
        band_ns=pl.lit(0, dtype=pl.Int64),
    )
    return frame.select(list(TABLES["packets"])).sort("start_ns")


def _exchanges(asked: Int64s, replied: Bools) -> pl.DataFrame:
    came = pl.lit(pl.Series(replied))
    return pl.DataFrame({"request_ns": asked}).select(
        "request_ns",
        reply_ns=pl.when(came).then(pl.col("request_ns") + 700_000),
        device=pl.lit("sensor"),
        request=pl.lit("ask"),
        reply=pl.when(came).then(pl.lit("reading")),
        outcome=pl.when(came).then(pl.lit("answered")).otherwise(pl.lit("none")),
        latency_ns=pl.when(came).then(pl.lit(700_000, dtype=pl.Int64)),
        band_ns=pl.lit(0, dtype=pl.Int64),
    )


def _transactions(asked: Int64s) -> pl.DataFrame:
    """One for each request; the packets show them."""
    empty = pl.DataFrame(schema=TABLES["transactions"])
    some = {
        "start_ns": asked,
        "end_ns": asked + 500_000,
        "source": ["wire"] * len(asked),
        "bus": ["bus"] * len(asked),
        "address": np.full(len(asked), 41, np.int32),
        "address_acked": np.ones(len(asked), np.bool_),
        "band_ns": np.zeros(len(asked), np.int64),
    }
    return pl.concat([empty, pl.DataFrame(some)], how="diagonal")


def prints_of(rows: Sequence[tuple[int, str]], wrong_by: int = 0) -> pl.DataFrame:
    """The table of one log's lines, from their times and texts, by a clock that is wrong."""
    frame = pl.DataFrame(rows, schema={"t_ns": pl.Int64, "text": pl.String}, orient="row")
    empty = pl.DataFrame(schema=TABLES["prints"])
    told = frame.with_columns(
        pl.col("t_ns") + wrong_by,
        source=pl.lit("board"),
        level=pl.lit("info"),
        damaged=pl.lit(False),
        band_ns=pl.lit(PRINT_BAND_NS, dtype=pl.Int64),
    )
    return pl.concat([empty, told], how="diagonal").sort("t_ns", maintain_order=True)


def messages_of(rows: Sequence[tuple[int, str, str]], wrong_by: int = 0) -> pl.DataFrame:
    """The table of one broker's messages, from their times, topics and fields."""
    schema = {"t_ns": pl.Int64, "topic": pl.String, "fields": pl.String}
    empty = pl.DataFrame(schema=TABLES["messages"])
    told = pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        pl.col("t_ns") + wrong_by,
        source=pl.lit("broker"),
        payload=pl.col("fields"),
        retain=pl.lit(False),
        duplicate=pl.lit(False),
        band_ns=pl.lit(MESSAGE_BAND_NS, dtype=pl.Int64),
    )
    return pl.concat([empty, told], how="diagonal").sort("t_ns", maintain_order=True)


def _lacking(
    tables: dict[str, pl.DataFrame],
    replied: Bools,
    has_print: Bools,
    has_message: Bools,
    poll: Int64s,
) -> set[tuple[str, int, str]]:
    """What lacks an effect, by the row it should have followed from."""
    packets, prints = tables["packets"], tables["prints"]
    rows = packets.with_row_index("row").filter(packet="reading")["row"].to_list()
    packet_of = dict(zip(poll[replied].tolist(), rows, strict=True))
    lines = prints.with_row_index("row").filter(pl.col("text").str.starts_with("sensor"))
    of_poll = lines["text"].str.extract(r"poll (\d+)").cast(pl.Int64)
    print_of = dict(zip(of_poll.to_list(), lines["row"].to_list(), strict=True))
    lacking = set()
    for k in poll.tolist():
        if not replied[k]:
            lacking |= {("exchanges", k, "prints"), ("exchanges", k, "messages")}
            continue
        if not has_print[k]:
            lacking.add(("packets", packet_of[k], "prints"))
        if not has_message[k]:
            cause = ("prints", print_of[k]) if has_print[k] else ("packets", packet_of[k])
            lacking.add((*cause, "messages"))
    return lacking


def links(of: World, unobserved: Mapping[str, Unobserved] | None = None) -> pl.DataFrame:
    """The links of a world."""
    return links_of(of.tables, of.parties, unobserved or {})


def absent(found: pl.DataFrame) -> set[tuple[str, int, str]]:
    """Which rows lack an effect, as `World.lacking` says it."""
    rows = found.filter(pl.col("outcome") != "seen")
    return set(rows.select("from_table", "from_row", "to_table").iter_rows())


def seen(found: pl.DataFrame, cause: str, effect: str) -> pl.DataFrame:
    """The links from rows of one table to rows of another."""
    return found.filter(outcome="seen", from_table=cause, to_table=effect)

"""Small runs with every table of events, drawn or fixed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl
from hypothesis import strategies as st

from console.bench.model import Bench
from console.bench.tables import TABLES
from console.timeline.events import Events, events_of
from console.timeline.parties import Parties, parties_of

LINKS = {
    "to_ns": pl.Int64(),
    "to_party": pl.UInt16(),
    "to_table": pl.String(),
    "outcome": pl.String(),
}
HOSTILE = (
    "[red]camera[/red] [@click=app.quit]",
    "\x1b[2J\x1b]0;x\x07\x00",
    "\u202ekcatsal\u2066",
    "e\u0301\u0302 \U0001f9d1\u200d\U0001f527 \ud83d",
    "(unclosed 'quote \"and [bracket \\",
)


@dataclass(frozen=True, slots=True, eq=False)
class SmallRun:
    """Tables, and the index over them."""

    tables: Mapping[str, pl.DataFrame]
    parties: Parties
    events: Events


def run_of(rows: Mapping[str, list[dict[str, Any]]]) -> SmallRun:
    """A run of these rows, in tables sorted by their times; what a row leaves out is null."""
    tables = {}
    for name, schema in {**TABLES, "links": LINKS}.items():
        filled = [{c: row.get(c) for c in schema} for row in rows.get(name, [])]
        frame = pl.DataFrame(filled, schema=dict(schema), orient="row")
        tables[name] = frame.sort(frame.columns[0], maintain_order=True)
    parties = parties_of({n: t for n, t in tables.items() if n != "links"}, Bench())
    return SmallRun(tables, parties, events_of(tables, parties))


_TIMES = st.integers(0, 40)
_TEXTS = st.sampled_from(
    [
        "camera: no ack",
        "Poll 12 blocks 3",
        "poll 7 blocks 40",
        "level -1.5 cm",
        "a_b%c",
        "",
        *HOSTILE[:3],
    ]
)
_FIELDS = st.one_of(
    st.none(),
    st.fixed_dictionaries(
        {"n": st.one_of(st.integers(-3, 3), st.sampled_from(["2", "x"]), st.none())},
        optional={
            "gate": st.sampled_from(["left", "Right"]),
            "blocks": st.lists(st.just({"x": 1})),
        },
    ).map(lambda found: json.dumps(found, separators=(",", ":"))),
)
_ROWS: dict[str, dict[str, st.SearchStrategy[Any]]] = {
    "transactions": {
        "start_ns": _TIMES,
        "bus": st.sampled_from(["i2c-1", "i2c-2"]),
        "address": st.sampled_from([None, 0x2E, 0x29]),
        "address_bits": st.just(7),
        "read": st.booleans(),
        "address_acked": st.booleans(),
        "data": st.sampled_from([None, "", "a55a30", "10a0", "0a"]),
        "problems": st.sampled_from([[], ["address-nack"], ["cut", "pec"]]),
    },
    "packets": {
        "start_ns": _TIMES.map(lambda t: t + 1000),
        "end_ns": _TIMES.map(lambda t: t + 1040),
        "bus": st.just("i2c-1"),
        "device": st.sampled_from(["camera", "hopper"]),
        "packet": st.sampled_from(["ask", "blocks"]),
        "direction": st.sampled_from(["read", "write"]),
        "valid": st.booleans(),
        "problems": st.sampled_from([[], ["check-code"]]),
        "fields": _FIELDS,
    },
    "exchanges": {
        "request_ns": _TIMES,
        "device": st.just("camera"),
        "request": st.just("ask"),
        "outcome": st.sampled_from(["answered", "none", "not-observable"]),
    },
    "prints": {
        "t_ns": st.one_of(_TIMES, st.none()),
        "source": st.just("controller"),
        "level": st.sampled_from([None, "info", "warning", "error"]),
        "text": _TEXTS,
        "damaged": st.booleans(),
        "fields": _FIELDS,
    },
    "messages": {
        "t_ns": _TIMES,
        "source": st.just("broker"),
        "topic": st.sampled_from(["capline/cam/blocks", "capline/Hopper"]),
        "payload": st.one_of(st.none(), _TEXTS),
        "qos": st.integers(0, 2),
        "fields": _FIELDS,
    },
    "pulses": {
        "start_ns": _TIMES,
        "line": st.just("servo"),
        "high": st.booleans(),
        "width_ns": st.integers(1, 2000),
    },
    "line_states": {
        "start_ns": _TIMES,
        "bus": st.just("i2c-1"),
        "state": st.sampled_from(["idle", "sda-held", "busy", "not-observed"]),
        "turn": st.sampled_from(["unknown", "target"]),
    },
    "words": {
        "start_ns": _TIMES,
        "device": st.just("driver"),
        "mosi": st.sampled_from([None, "9f"]),
        "miso": st.sampled_from([None, "c0"]),
        "problems": st.sampled_from([[], ["cut"]]),
    },
    "links": {
        "to_ns": _TIMES,
        "to_party": st.just(0),
        "to_table": st.sampled_from(["messages", "prints"]),
        "outcome": st.sampled_from(["seen", "missing", "not-observed"]),
    },
}  # fmt: skip


def runs(most: int = 6) -> st.SearchStrategy[SmallRun]:
    """Runs of up to `most` rows in each table, with a print and a message at the least."""
    drawn = {
        name: st.lists(
            st.fixed_dictionaries(row), min_size=int(name in ("prints", "messages")), max_size=most
        )
        for name, row in _ROWS.items()
    }
    return st.fixed_dictionaries(drawn).map(run_of)


def cap_line() -> SmallRun:
    """A camera that is polled, answers twice and then no more; fixed."""
    second = 10**9
    prints = [
        {"t_ns": 10 * second, "source": "controller", "level": "info", "text": "poll 1 blocks 2"},
        {"t_ns": 11 * second, "source": "controller", "level": "info", "text": "poll 2 blocks 1"},
        {"t_ns": 12 * second, "source": "controller", "level": "error", "text": "camera: no ack"},
        {"t_ns": 13 * second, "source": "controller", "level": "info", "text": HOSTILE[0]},
    ]
    packets = [
        {"start_ns": 10 * second - k, "end_ns": 10 * second - k + 1, "bus": "i2c-1",
         "device": "camera", "packet": "blocks", "direction": "read", "valid": True, "problems": [],
         "fields": '{"n":2,"gate":"left","cap-colour":"red"}'}
        for k in (500, 300)
    ]  # fmt: skip
    transactions = [
        {"start_ns": 12 * second - 500, "end_ns": 12 * second - 100, "bus": "i2c-1",
         "address": 0x2E, "address_bits": 7, "read": False, "address_acked": False, "data": "",
         "problems": ["address-nack"], "source": "wire"}
    ]  # fmt: skip
    messages = [
        {"t_ns": 10 * second + 500, "source": "broker", "topic": "capline/cam/blocks", "qos": 1,
         "payload": '{"n":2}', "fields": '{"n":2}'}
    ]  # fmt: skip
    rows = {
        "prints": prints,
        "packets": packets,
        "transactions": transactions,
        "messages": messages,
    }
    return run_of(rows)

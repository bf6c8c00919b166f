"""Links by the event at either end, against a walk over the table."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.timeline.events import EVENT_TABLES
from console.timeline.link_index import LinkIndex
from console.timeline.links import SCHEMA
from tests.console.timeline.small_runs import SmallRun, cap_line, runs

ROW = st.fixed_dictionaries(
    {
        "from_ns": st.integers(0, 40),
        "to_ns": st.integers(0, 40),
        "from_table": st.sampled_from(["prints", "packets", "messages"]),
        "from_row": st.integers(0, 5),
        "to_table": st.sampled_from(["prints", "packets", "messages"]),
        "to_row": st.one_of(st.none(), st.integers(0, 5)),
        "from_party": st.integers(0, 3),
        "to_party": st.integers(0, 3),
        "latency_ns": st.one_of(st.none(), st.integers(-9, 9)),
        "by": st.sampled_from(["reply", "poll"]),
        "outcome": st.just("seen"),
        "band_ns": st.one_of(st.none(), st.integers(0, 9)),
        "ambiguous": st.booleans(),
        "what": st.just("blocks"),
    }
)


def table_of(rows: list[dict[str, Any]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=dict(SCHEMA), orient="row")


@settings(deadline=None)
@given(runs(), st.lists(ROW, max_size=30))
def test_both_ends_of_every_link_find_the_other(run: SmallRun, rows: list[dict[str, Any]]) -> None:
    index = LinkIndex(table_of(rows))
    for k in range(len(run.events)):
        table, row = EVENT_TABLES[int(run.events.table[k])], int(run.events.row[k])
        if table == "links":
            continue
        for mine, other, found in (
            ("to", "from", index.causes(run.events, k)),
            ("from", "to", index.effects(run.events, k)),
        ):
            own = [r for r in rows if r[f"{mine}_table"] == table and r[f"{mine}_row"] == row]
            told = [
                (r[f"{other}_table"], -1 if r[f"{other}_row"] is None else r[f"{other}_row"],
                 r[f"{other}_party"], r["latency_ns"] or 0, r["by"], r["band_ns"] or 0)
                for r in own
            ]  # fmt: skip
            got = [(e.table, e.row, e.party, e.latency_ns, e.by, e.band_ns) for e in found]
            assert sorted(got) == sorted(told)


def test_an_effect_that_did_not_come_is_due_to_its_cause() -> None:
    run = cap_line()
    row: dict[str, Any] = {
        "from_ns": 5, "to_ns": 9, "from_table": "prints", "from_row": 2, "to_table": "messages",
        "to_row": None, "from_party": 0, "to_party": 1, "latency_ns": None, "by": "poll",
        "outcome": "missing", "band_ns": 4, "ambiguous": False, "what": "x",
    }  # fmt: skip
    index = LinkIndex(table_of([row]))
    events = run.events
    missing = replace(
        events,
        t_ns=events.t_ns[:1],
        table=np.full(1, EVENT_TABLES.index("links"), np.uint8),
        row=np.zeros(1, np.uint32),
        party=events.party[:1],
        state=events.state[:1],
    )
    (cause,) = index.causes(missing, 0)
    assert (cause.table, cause.row, cause.party, cause.latency_ns) == ("prints", 2, 0, 0)


@pytest.mark.parametrize("links", [None, table_of([])])
def test_without_links_no_event_has_any(links: pl.DataFrame | None) -> None:
    run, index = cap_line(), LinkIndex(links)
    assert [index.causes(run.events, k) + index.effects(run.events, k)
            for k in range(len(run.events))] == [[]] * len(run.events)  # fmt: skip

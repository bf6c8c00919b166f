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
from console.timeline.links.index import LinkIndex
from console.timeline.links.table import SCHEMA
from tests.console.app.screens.showing import demo_view
from tests.console.timeline.small_runs import SmallRun, cap_line, runs

ROW = st.fixed_dictionaries(
    {
        "from_ns": st.integers(0, 40),
        "from_table": st.sampled_from(["prints", "packets", "messages"]),
        "from_row": st.integers(0, 5),
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
    return pl.DataFrame(rows, schema=dict(SCHEMA), orient="row").sort("to_ns", maintain_order=True)


@settings(deadline=None)
@given(runs(), st.lists(st.tuples(ROW, st.integers(0, 200)), max_size=30))
def test_every_effect_finds_its_causes_and_no_other(
    run: SmallRun, drawn: list[tuple[dict[str, Any], int]]
) -> None:
    events, rows = run.events, []
    for row, at in drawn:
        k = at % len(events)
        effect = {"to_ns": int(events.t_ns[k]), "to_table": EVENT_TABLES[int(events.table[k])]}
        rows.append(row | effect | {"to_row": int(events.row[k])})
        rows.append(row | effect | {"to_row": None})  # one that did not come, at the same moment
    index = LinkIndex(table_of(rows))
    for k in range(len(events)):
        table, row_at = EVENT_TABLES[int(events.table[k])], int(events.row[k])
        if table == "links":
            continue
        told = [
            (r["from_table"], r["from_row"], r["from_party"], r["latency_ns"] or 0, r["by"],
             r["band_ns"] or 0)
            for r in rows
            if (r["to_table"], r["to_row"]) == (table, row_at)
        ]  # fmt: skip
        got = [(e.table, e.row, e.party, e.latency_ns, e.by, e.band_ns)
               for e in index.causes(events, k)]  # fmt: skip
        assert sorted(got) == sorted(told)


def test_the_demos_effects_begin_when_their_links_say() -> None:
    view = demo_view()
    linked = view.tables["links"].filter(pl.col("to_row").is_not_null())
    shown = np.flatnonzero(np.isin(view.events.table, [EVENT_TABLES.index(t) for t in
                           ("prints", "messages", "packets")]))  # fmt: skip
    found = sum(len(view.links.causes(view.events, k)) for k in shown.tolist())
    assert found == linked.height > 7_000


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
    assert [index.causes(run.events, k)
            for k in range(len(run.events))] == [[]] * len(run.events)  # fmt: skip

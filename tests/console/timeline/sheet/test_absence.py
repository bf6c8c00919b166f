"""The sheets of what did not come."""

from __future__ import annotations

import polars as pl
import pytest

from console.timeline.sheet.lines import Words
from tests.console.timeline.sheet.benches import bench_of, field, of_kind, sheet_of
from tests.console.watch.runs import MS, S, nack, table, transaction

ASKED = """
[[packet]]
name = "ask"
direction = "write"
field = [{ name = "n", type = "u8" }]
[[packet]]
name = "reply"
direction = "read"
answers = "ask"
within = "20ms"
field = [{ name = "n", type = "u8" }]
"""


def exchanges(*outcomes: str) -> dict[str, pl.DataFrame]:
    rows = [
        {"request_ns": k * S, "device": "camera", "request": "ask", "outcome": outcome}
        | (
            {"reply_ns": k * S + MS, "reply": "reply", "latency_ns": MS}
            if outcome != "none"
            else {}
        )
        | {"band_ns": 0}
        for k, outcome in enumerate(outcomes)
    ]
    asked = [transaction(k * S) for k in range(len(outcomes) - 1)] + [nack((len(outcomes) - 1) * S)]
    return {
        "exchanges": table("exchanges", rows),
        "transactions": table("transactions", asked),
    }


def test_a_missing_reply_says_what_was_asked_and_within_what_it_was_due() -> None:
    sheet = sheet_of(exchanges("answered", "none", "none"), "exchanges", 2, bench_of(ASKED))
    said = {name: field(sheet, name).value for name in ("asked", "awaited", "within", "request")}
    assert sheet.title == "camera: no reply came"
    assert said == {
        "asked": "ask to camera",
        "awaited": "reply",
        "within": "20 ms",
        "request": "write 2E, address not acknowledged",
    }


def test_a_missing_reply_says_when_the_last_one_came_and_how_many_missed_since() -> None:
    sheet = sheet_of(exchanges("answered", "none", "none"), "exchanges", 2, bench_of(ASKED))
    assert field(sheet, "last answered").value == "2 s before"
    assert field(sheet, "then after").value == "1 ms"
    assert field(sheet, "missed since").value == "1 before this one"


def test_where_nothing_ever_answered_it_is_said() -> None:
    sheet = sheet_of(exchanges("none"), "exchanges", 0, bench_of(ASKED))
    assert of_kind(sheet, Words)[-1].text == "no good exchange before it"


def links(outcome: str) -> dict[str, pl.DataFrame]:
    row = {"from_ns": 0, "to_ns": 5 * MS, "from_table": "prints", "from_row": 0}
    row |= {"to_table": "messages", "to_row": None, "latency_ns": None, "by": "poll"}
    row |= {"outcome": outcome, "to_party": 0, "from_party": 0}
    said = {"t_ns": 0, "source": "controller", "level": "info", "text": "poll 7", "damaged": False}
    schema = {"to_row": pl.Int64, "latency_ns": pl.Int64}
    frame = pl.DataFrame([row], schema_overrides=schema)
    return {"links": frame, "prints": table("prints", [said])}


@pytest.mark.parametrize(
    ("outcome", "title"),
    [("missing", "not published"), ("not-observable", "cannot say whether published")],
)
def test_an_effect_that_did_not_follow_names_its_cause(outcome: str, title: str) -> None:
    sheet = sheet_of(links(outcome), "links", 0)
    assert sheet.title == title
    assert field(sheet, "cause").value == "poll 7"
    assert field(sheet, "due by").value == "00:00.005000"

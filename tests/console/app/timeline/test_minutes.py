"""One bucket as a row."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.app.run_view import RunView
from console.app.signs import ASCII, UNICODE, Signs
from console.app.timeline.columns import GUTTER, LEAST_COLUMN, columns_for
from console.app.timeline.minutes import MinuteRows
from console.timeline.buckets import WIDTHS_NS
from console.trust.sheet import TrustRow
from tests.console.app.timeline.views import (
    NO_BAND,
    PRINTED,
    demo_with_levels,
    made_view,
    report,
    text_of,
    view_over,
    width_of,
)
from tests.console.timeline.small_runs import SmallRun, runs

S, MINUTE = 10**9, 60 * 10**9


def minutes_of(view: RunView, width_ns: int = MINUTE) -> MinuteRows:
    return MinuteRows(*view.buckets(width_ns), view.parties.every, view.unseen)


def cells_of(view: RunView, k: int, width: int = 250, width_ns: int = MINUTE) -> list[str]:
    """What the columns of a bucket say, without signs and plots."""
    columns = columns_for(range(len(view.parties.every)), width, 0)
    row = minutes_of(view, width_ns).cells(k, columns, UNICODE)
    text = text_of(row)
    cells = [text[c.x - GUTTER + 3 :][: c.width - 3] for c in columns.every]
    return [cell.split("  ")[0].strip(UNICODE.bars).strip() for cell in cells]


@settings(deadline=None, max_examples=50)
@given(runs(), st.integers(GUTTER + LEAST_COLUMN, 250), st.sampled_from([UNICODE, ASCII]))
def test_every_row_is_as_wide_as_the_screen(run: SmallRun, width: int, signs: Signs) -> None:
    view = view_over({n: t for n, t in run.tables.items() if n != "links"})
    minutes = minutes_of(view, WIDTHS_NS[0])
    for chosen in range(len(view.parties.every)):
        columns = columns_for(range(len(view.parties.every)), width, chosen)
        for k in range(len(minutes.buckets)):
            assert width_of(minutes.cells(k, columns, signs)) == width - GUTTER


def prints(*times: int, **more: Any) -> list[dict[str, Any]]:
    said = {"source": "controller", "text": "x"} | PRINTED | more
    return [{"t_ns": t, **said} for t in times]


def messages(*times: int) -> list[dict[str, Any]]:
    said = {"source": "broker", "topic": "a/b", "qos": 0, "duplicate": False} | NO_BAND
    return [{"t_ns": t, **said} for t in times]


def test_prints_and_messages_are_counted_and_one_is_said_as_one() -> None:
    view = made_view({"prints": prints(0, 1, 2), "messages": messages(5)})
    assert cells_of(view, 0) == ["3 prints", "1 message"]


def test_answers_are_counted_with_how_long_they_took() -> None:
    asked = [
        {"request_ns": k * S, "reply_ns": k * S + 2_000_000, "device": "camera", "request": "ask",
         "outcome": "answered", "latency_ns": 2_000_000 + k * 10**6, "band_ns": 0}
        for k in range(3)
    ]  # fmt: skip
    asked.append(asked[0] | {"request_ns": 9 * S, "outcome": "invalid"})
    asked.append(
        asked[0] | {"request_ns": 10 * S, "reply_ns": None, "latency_ns": None, "outcome": "none"}
    )
    view = made_view({"exchanges": asked, "prints": prints(0)})
    assert cells_of(view, 0)[1] == "4 of 5 answered, 1 wrong in 2.5 ms to 4 ms"


@pytest.mark.parametrize(
    ("width", "said"),
    [
        (80, ["▲ 76, 50 odd", "✖ 10 of 60", "12 of 12", "✖ 50 missing"]),
        (
            116,
            ["▲ 76 prints, 50 odd", "✖ 10 of 60 answered", "12 of 12 answered", "✖ 26, 50 missing"],
        ),
    ],
)
def test_a_narrow_column_says_it_in_fewer_words(width: int, said: list[str]) -> None:
    view = demo_with_levels()
    columns = columns_for(range(4), width, 0)
    text = text_of(minutes_of(view).cells(34, columns, UNICODE))
    assert [cell.strip() for cell in text.split("│")[1:]] == said


def test_silence_is_told_only_of_a_party_that_was_heard_before() -> None:
    view = made_view({"prints": prints(0), "messages": messages(2 * MINUTE, 4 * MINUTE)})
    assert [cells_of(view, k)[0] for k in range(3)] == ["1 print", "silence", "silence"]
    assert [cells_of(view, k)[1] for k in range(4)] == ["", "", "1 message", "silence"]


def test_what_nobody_could_observe_is_not_called_silence() -> None:
    gap = TrustRow("controller", MINUTE, 3 * MINUTE, "not-observed", "gap", "no samples")
    rows = {"prints": prints(0, 4 * MINUTE)}
    view = made_view(rows, trust=[gap], sources=[report("controller")])
    said = [cells_of(view, k)[0] for k in range(1, 4)]
    assert said == ["not observed", "not observed", "silence"]


def test_a_source_that_ends_early_is_not_silent_to_the_end_of_the_run() -> None:
    end = TrustRow("controller", 30 * S, 3 * MINUTE + 5, "ends-early", "gap", "nothing in it")
    rows = {"prints": prints(0, 30 * S), "messages": messages(0, 3 * MINUTE + 5)}
    view = made_view(rows, trust=[end], sources=[report("controller"), report("broker")])
    assert [cells_of(view, k)[0] for k in range(4)] == ["2 prints", *["not observed"] * 3]


def test_the_bars_of_a_bucket_show_where_in_it_things_happened() -> None:
    view = made_view({"prints": prints(0, 1, 2, 59 * S, 60 * S)})
    columns = columns_for([0], 80, 0)
    text = text_of(minutes_of(view).cells(0, columns, UNICODE))
    assert text.endswith("█      ▃  ")

"""The rows of a run: widths, times, brackets."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.app.run_view import RunView
from console.app.signs import ASCII, UNICODE, Signs
from console.app.timeline.columns import GUTTER, LEAST_COLUMN, Columns, columns_for
from console.app.timeline.drawing import NEAR, Drawing
from console.app.timeline.gutter import CLOCKS, Clock
from console.app.timeline.shown import Shown
from tests.console.app.timeline.views import (
    NO_BAND,
    PRINTED,
    clock,
    demo_with_levels,
    linked_view,
    made_view,
    text_of,
    view_over,
    width_of,
)
from tests.console.timeline.small_runs import HOSTILE, SmallRun, runs

S, MS = 10**9, 10**6


def columns(view: RunView, width: int = 140, chosen: int = 0) -> Columns:
    return columns_for(range(len(view.parties.every)), width, chosen)


def rows_of(view: RunView, signs: Signs = UNICODE, width: int = 140) -> list[str]:
    shown, drawing = Shown(view.events), Drawing(view, signs)
    where = columns(view, width)
    return [
        text_of(drawing.event(shown, k, where, view.start_ns, None, chosen=False))
        for k in range(len(shown))
    ]


@settings(deadline=None, max_examples=40)
@given(
    runs(),
    st.integers(GUTTER + LEAST_COLUMN, 250),
    st.sampled_from([UNICODE, ASCII]),
    st.sampled_from([None, 10**18]),
)
def test_every_row_is_as_wide_as_the_screen(
    run: SmallRun, width: int, signs: Signs, wall_ns: int | None
) -> None:
    view = view_over({n: t for n, t in run.tables.items() if n != "links"})
    shown, drawing = Shown(view.events), Drawing(view, signs)
    for chosen in {0, len(view.parties.every) - 1}:
        where = columns(view, width, chosen)
        for k in range(len(shown)):
            row = drawing.event(shown, k, where, 0, wall_ns, chosen=k == 0)
            assert width_of(row) == width
            assert width_of(drawing.wait(shown, k, where)) == width
        for name in CLOCKS:
            assert width_of(drawing.head(where, chosen, name)) == width


@pytest.mark.parametrize("text", [*HOSTILE, "x" * (1 << 20), "\0" * 500, "瓶" * 500])
def test_hostile_text_is_drawn_harmlessly(text: str) -> None:
    text = text.encode("utf-8", "backslashreplace").decode()  # as text comes off a wire
    prints = [{"t_ns": 0, "source": text[:99], "text": text} | PRINTED]
    view = made_view({"prints": prints})
    (row,) = rows_of(view)
    drawn = text_of(Drawing(view, UNICODE).head(columns(view), 0, "start")) + row
    assert drawn.isprintable()
    (plain,) = rows_of(view, ASCII)
    assert plain.isascii()


def test_ascii_only_rows_are_ascii_throughout_the_demo() -> None:
    view = demo_with_levels()
    shown, drawing = Shown(view.events), Drawing(view, ASCII)
    where = columns(view, 80)
    rows = [drawing.event(shown, k, where, 0, None, chosen=False) for k in range(0, len(shown), 40)]
    rows += [drawing.bucket(60 * S, k, where, 0, None, chosen=False) for k in range(36)]
    assert all(text_of(row).isascii() for row in rows)


@pytest.mark.parametrize(
    ("name", "head"), [("start", "time"), ("wall", "time UTC"), ("mark", "since mark")]
)
def test_the_head_line_says_what_the_times_are(name: Clock, head: str) -> None:
    view = made_view({"prints": [{"t_ns": 0, "source": "board", "text": ""} | PRINTED]})
    said = text_of(Drawing(view, UNICODE).head(columns(view), 0, name))
    assert said.split("  board")[0].strip() == head


def test_the_head_line_counts_the_columns_beside_the_screen() -> None:
    prints = [
        {"t_ns": k, "source": f"board number {k:02}", "text": ""} | PRINTED for k in range(40)
    ]
    view = made_view({"prints": prints})
    said = text_of(Drawing(view, UNICODE).head(columns(view, 80, 20), 20, "start"))
    assert said.split()[1] == "◀17"
    assert said.split()[-1] == "▶19"


def two_sources(*times: tuple[str, int], bands_ns: tuple[int | None, int | None]) -> RunView:
    """Prints of boards a and b, whose clocks are known so well."""
    by_name = dict(zip("ab", bands_ns, strict=True))
    prints = [
        {"t_ns": t, "source": name, "text": "x"} | PRINTED | {"band_ns": by_name[name]}
        for name, t in times
    ]
    return made_view({"prints": prints}, clocks={n: clock(n, band) for n, band in by_name.items()})


def brackets(view: RunView) -> str:
    return "".join(row[GUTTER - 2] for row in rows_of(view))


def test_events_whose_bands_touch_share_a_bracket() -> None:
    view = two_sources(("a", 0), ("b", 2 * MS), ("a", 9 * MS), bands_ns=(MS, MS))
    assert brackets(view) == "╭╰ "


def test_one_clock_knows_its_own_order() -> None:
    view = two_sources(("a", 0), ("a", 1), ("a", 1), bands_ns=(MS, MS))
    assert brackets(view) == "   "


def test_a_bracket_spans_what_stands_between_two_events_without_an_order() -> None:
    times = [("a", 0), ("a", 3 * MS), ("b", 6 * MS), ("a", 20 * MS)]
    assert brackets(two_sources(*times, bands_ns=(0, 7 * MS))) == "╭│╰ "


def test_a_source_on_no_axis_has_no_time_and_no_order_to_any_other() -> None:
    view = two_sources(("a", 0), ("b", S), ("a", 2 * S), bands_ns=(0, None))
    rows = rows_of(view)
    assert brackets(view) == "╭│╰"
    assert ["no time" in row for row in rows] == [False, True, False]


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 40)), min_size=1, max_size=NEAR),
    st.integers(0, 6),
    st.integers(0, 6),
)
def test_a_bracket_joins_two_rows_exactly_where_some_order_over_them_is_unknown(
    times: list[tuple[str, int]], a_ns: int, b_ns: int
) -> None:
    view = two_sources(*times, bands_ns=(a_ns, b_ns))
    band = {"a": a_ns, "b": b_ns}
    each = [(view.source(k), int(view.events.t_ns[k])) for k in range(len(view.events))]
    unknown = [
        any(
            m != n and abs(t - u) <= band[m] + band[n]
            for m, t in each[: row + 1]
            for n, u in each[row + 1 :]
        )
        for row in range(len(each) - 1)
    ]
    drawn = [after in "╭│" for after in brackets(view)[:-1]]
    assert drawn == unknown


def test_times_of_two_clocks_count_to_the_digits_of_both_bands() -> None:
    view = two_sources(("a", 0), ("b", 2_600_000), ("a", 2_700_000), bands_ns=(0, 1_007_812))
    gutters = [row[1 : GUTTER - 2].strip() for row in rows_of(view)]
    assert gutters == ["00:00.000000", "+3 ms", "+2.7 ms"]


def test_an_arrow_says_from_whom_and_how_long_it_took() -> None:
    rows = {
        "prints": [{"t_ns": 0, "source": "board", "text": "poll 1"} | PRINTED],
        "messages": [
            {"t_ns": 3 * MS, "source": "broker", "topic": "a/b", "qos": 0, "payload": "1"} | NO_BAND
        ],
    }
    link = {
        "from_ns": 0, "to_ns": 3 * MS, "from_table": "prints", "from_row": 0,
        "to_table": "messages", "to_row": 0, "from_party": 0, "to_party": 1, "latency_ns": 3 * MS,
        "by": "poll", "outcome": "seen", "band_ns": 0,
    }  # fmt: skip
    effect = rows_of(linked_view(made_view(rows), [link]))[1]
    assert " 3 ms " in effect
    assert "▶● a/b 1" in effect


def test_a_wait_says_how_long_it_was() -> None:
    view = made_view(
        {"prints": [{"t_ns": t, "source": "b", "text": ""} | PRINTED for t in (0, 1, 2, 90 * S)]}
    )
    row = Drawing(view, UNICODE).wait(Shown(view.events), 3, columns(view))
    assert "~ 90 s" in text_of(row)

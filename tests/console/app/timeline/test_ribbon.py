"""The whole run on a few lines."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from textual import on
from textual.app import App, ComposeResult
from textual.pilot import Pilot

from console.app.run_view import RunView
from console.app.signs import ASCII, UNICODE, Signs
from console.app.themes import variables
from console.app.timeline.columns import GUTTER
from console.app.timeline.ribbon import Ribbon, resampled
from console.watch.findings import Finding, Severity
from tests.console.app.screens.showing import played
from tests.console.app.timeline.views import PRINTED, demo_with_levels, made_view
from tests.console.timeline.small_runs import HOSTILE

S = 10**9


@given(st.lists(st.integers(0, 1000), min_size=1, max_size=300), st.integers(1, 300))
def test_no_count_is_lost_by_resampling(counts: list[int], columns: int) -> None:
    bins = np.array(counts, np.int64)
    found = resampled(bins, columns)
    assert len(found) == columns
    fewer = min(columns, len(bins))
    assert resampled(bins, fewer).sum() == bins.sum()
    assert set(np.flatnonzero(bins)) <= {
        k for c in np.flatnonzero(found) for k in _bins_of(int(c), columns, len(bins))
    }


def _bins_of(column: int, columns: int, bins: int) -> range:
    first, last = column * bins // columns, (column + 1) * bins // columns
    return range(first, max(last, first + 1))


class Shell(App[None]):
    """The ribbon alone."""

    def __init__(self, signs: Signs) -> None:
        super().__init__()
        self.ribbon = Ribbon(signs=signs)
        self.chosen: list[int] = []

    def compose(self) -> ComposeResult:
        yield self.ribbon

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    @on(Ribbon.Chosen)
    def note(self, message: Ribbon.Chosen) -> None:
        self.chosen.append(message.t_ns)


@asynccontextmanager
async def ribbon(
    view: RunView,
    width: int = 115,
    *,
    signs: Signs = UNICODE,
    parties: Sequence[int] | None = None,
) -> AsyncIterator[tuple[Ribbon, Pilot[None]]]:
    app = Shell(signs)
    async with app.run_test(size=(width, 20)) as pilot:
        shown = range(len(view.parties.every)) if parties is None else parties
        app.ribbon.view, app.ribbon.parties = view, tuple(shown)
        await pilot.pause()
        yield app.ribbon, pilot


def lines(ribbon: Ribbon) -> list[str]:
    return [ribbon.render_line(y).text for y in range(ribbon.size.height)]


def prints(*seconds: int, **more: Any) -> list[dict[str, Any]]:
    return [{"t_ns": t * S, "source": "board", "text": "x"} | PRINTED | more for t in seconds]


def finding(t_ns: int, severity: Severity) -> Finding:
    return Finding(t_ns, "limits", severity, "board", "board", "too high", {})


@pytest.mark.parametrize("width", [20, 80, 250])
@pytest.mark.parametrize("signs", [UNICODE, ASCII])
@played
async def test_every_line_is_as_wide_as_the_screen(signs: Signs, width: int) -> None:
    named = [row for name in (*HOSTILE[:3], "瓶" * 30) for row in prints(0, 5, source=name)]
    for view in (made_view({"prints": named}), made_view({}), demo_with_levels()):
        async with ribbon(view, width, signs=signs) as (shown, _pilot):
            assert {cell_len(line) for line in lines(shown)} == {width}
            assert signs is UNICODE or all(line.isascii() for line in lines(shown))
            assert all(line.isprintable() for line in lines(shown))


@played
async def test_it_takes_no_more_lines_than_there_are_parties_and_one_for_signs() -> None:
    async with ribbon(made_view({"prints": prints(0, 9)})) as (shown, _pilot):
        assert shown.size.height == 2


@played
async def test_where_lines_lack_the_worst_parties_have_them() -> None:
    rows = [
        row
        for k in range(9)
        for row in prints(*range(9), source=f"board {k}", level="error" if k in (4, 7) else "info")
    ]
    async with ribbon(made_view({"prints": rows})) as (shown, _pilot):
        names = [line[:GUTTER].strip() for line in lines(shown)[:-1]]
        assert len(names) == 4
        assert {"board 4", "board 7"} <= set(names)
        assert names == sorted(names)


@played
async def test_what_went_wrong_is_seen_however_little_it_was() -> None:
    rows = prints(*range(1000)) + prints(500, level="error")
    async with ribbon(made_view({"prints": rows})) as (shown, _pilot):
        bad = [s for s in shown.render_line(0) if s.style and s.style.bold]
        assert len(bad) == 1
        assert bad[0].text.strip()


@pytest.mark.parametrize(
    ("found", "sign"),
    [
        (["warning"], UNICODE.odd),
        (["warning", "fault"], UNICODE.bad),
        (["fault", "warning"], UNICODE.bad),
        (["note"], UNICODE.run),
    ],
)
@played
async def test_the_gravest_finding_of_a_place_has_the_sign(
    found: list[Severity], sign: str
) -> None:
    findings = [finding(50 * S, severity) for severity in found]
    view = made_view({"prints": prints(0, 100)}, findings=findings)
    async with ribbon(view) as (shown, pilot):
        shown.window = (40 * S, 60 * S)
        await pilot.pause()
        line = lines(shown)[-1][GUTTER:]
        assert line.rstrip() == (" " * 39 + "─" * 10 + sign + "─" * 9).rstrip() + "─"


@played
async def test_the_window_of_one_column_and_a_mark_have_signs_of_their_own() -> None:
    async with ribbon(made_view({"prints": prints(0, 100)})) as (shown, pilot):
        shown.window, shown.marks = (10 * S, 10 * S), (100 * S,)
        await pilot.pause()
        line = lines(shown)[-1]
        assert [k - GUTTER for k, c in enumerate(line) if c != " "] == [9, 98]
        assert line.strip()[0] == UNICODE.here
        assert line.strip()[-1] == UNICODE.mark


@pytest.mark.parametrize("column", [0, 40, 98])
@played
async def test_a_click_goes_to_the_middle_of_what_the_column_stands_for(column: int) -> None:
    async with ribbon(made_view({"prints": prints(0, 99)})) as (shown, pilot):
        await pilot.click(Ribbon, offset=(GUTTER + column, 0))
        app = shown.app
        assert isinstance(app, Shell)
        assert app.chosen == [column * S + S // 2]


@played
async def test_a_click_on_the_names_goes_nowhere() -> None:
    async with ribbon(made_view({"prints": prints(0, 99)})) as (shown, pilot):
        await pilot.click(Ribbon, offset=(3, 0))
        app = shown.app
        assert isinstance(app, Shell)
        assert app.chosen == []

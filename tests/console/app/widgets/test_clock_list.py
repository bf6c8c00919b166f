"""The list of clocks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.app.run_view import RunView
from console.app.signs import UNICODE
from console.app.widgets.clock_list import ClockList
from console.timeline.clocks import ClockMap
from tests.console.app.screens.showing import demo_view, played, showing
from tests.console.app.some_anchors import S, piece_of


@pytest.mark.parametrize(
    ("rivals_ns", "expected"),
    [
        ((), ""),
        ((-S, 3 * S), "-1 s, +3 s"),
        (tuple(k * S for k in range(1, 6)), "+1 s, +2 s, +3 s and 2 more"),
    ],
)
def test_rivals_are_said_by_how_far_they_are(rivals_ns: tuple[int, ...], expected: str) -> None:
    assert ClockList(UNICODE).rivals(piece_of(rivals_ns=rivals_ns)) == expected


def with_pieces(count: int) -> RunView:
    view = demo_view()
    many = {"broker": ClockMap((piece_of("broker"),) * count)}
    clocks = many | {"wire": view.evidence.clocks["wire"]}
    return replace(view, evidence=replace(view.evidence, clocks=clocks))


@played
async def test_the_cursor_begins_with_a_clock_that_was_fitted() -> None:
    async with showing("clocks", demo_view()) as (app, _pilot):
        row = app.screen.query_one(ClockList).row
        assert row is not None
        assert row.source == "controller"


@played
async def test_the_cursor_stays_with_its_source_when_pieces_come_and_go() -> None:
    async with showing("clocks", with_pieces(5)) as (app, pilot):
        await pilot.press("down", "down", "down")
        clocks = app.screen.query_one(ClockList)
        assert clocks.row is not None
        assert (clocks.row.source, clocks.row.index) == ("broker", 3)
        app.view = with_pieces(2)
        await pilot.pause()
        assert (clocks.row.source, clocks.row.index) == ("broker", 1)


@pytest.mark.parametrize("width", [0, 30, 70, 119, 120, 250])
@played
async def test_rows_and_head_have_their_columns_in_one_place(width: int) -> None:
    async with showing("clocks", demo_view()) as (app, _pilot):
        clocks = app.screen.query_one(ClockList)
        head = "".join(text for text, _ in clocks.head(width))
        row = "".join(text for text, _ in clocks.pieces(2, width))
        assert row.index("2,493") + len("2,493") == head.index("anchors") + len("anchors")

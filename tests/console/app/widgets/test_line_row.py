"""One row of pieces under a line."""

from __future__ import annotations

from textual.pilot import Pilot

from console.app.widgets.line_row import LineRow
from console.app.widgets.one_line import OneLine
from tests.console.app.widgets.lines import LineApp, paused, run_line


def test_a_row_with_nothing_on_it_takes_no_room() -> None:
    async def then(app: LineApp[OneLine], pilot: Pilot[None]) -> None:
        app.under_test.open()
        row = app.query_one(".trouble", LineRow)
        assert not row.display
        row.row = [("wrong ", "bad"), ("here", "quiet")]
        await paused(pilot)
        assert app.lines()[-1] == "wrong here"
        row.row = []
        await paused(pilot)
        assert not row.display

    run_line(OneLine(), then)

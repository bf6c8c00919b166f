"""The line for the note of a mark."""

from __future__ import annotations

import pytest
from textual.pilot import Pilot

from console.app.widgets.mark_line import MarkLine
from console.app.widgets.one_line import OneLine
from tests.console.app.widgets.lines import LineApp, paused, run_line, typed

Line = LineApp[MarkLine]


@pytest.mark.parametrize(("text", "note"), [("", ""), (" cap jammed ", "cap jammed")])
def test_enter_gives_the_note_and_closes(text: str, note: str) -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open()
        await typed(pilot, text)
        await pilot.press("enter")
        await paused(pilot)
        marked = [m.note for m in app.told if isinstance(m, MarkLine.Marked)]
        assert marked == [note]
        assert not app.under_test.is_open

    run_line(MarkLine(), then)


def test_escape_makes_no_mark() -> None:
    async def then(app: Line, pilot: Pilot[None]) -> None:
        app.under_test.open("half")
        await pilot.press("escape")
        await paused(pilot)
        assert [type(message) for message in app.told] == [OneLine.Left]

    run_line(MarkLine(), then)

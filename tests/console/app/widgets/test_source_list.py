from __future__ import annotations

from collections.abc import Coroutine
from typing import Any, Literal

import pytest
from rich.cells import cell_len
from textual.app import App, ComposeResult

from console.app.signs import ASCII, UNICODE, Signs
from console.app.themes import variables
from console.app.widgets.source_list import SourceList
from console.pipeline.recording_state import SourceRow
from console.sources.records import SourceState
from tests.console.app.screens.showing import HOSTILE, played

S = 1_000_000_000
OPEN = SourceRow(
    SourceState(
        "controller", "prints", "/dev/ttyCAP0", "open", records=12_345, bytes=1, last_ns=8 * S
    ),
    50.0,
    2_000.0,
)
WAITING = SourceRow(
    SourceState("broker", "messages", "localhost:1883", "waiting", "nothing listens there", lost=3)
)


class Listing(App[None]):
    """One list."""

    def __init__(self, signs: Signs, *sources: SourceRow) -> None:
        super().__init__()
        self._signs, self._sources = signs, sources

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    def compose(self) -> ComposeResult:
        yield SourceList(self._signs)

    def on_mount(self) -> None:
        self.query_one(SourceList).fill(self._sources, 10 * S)


State = Literal["opening", "open", "waiting", "failed", "closed"]


def drawn(signs: Signs, width: int, *sources: SourceRow) -> Coroutine[Any, Any, list[str]]:
    """The lines of the list, the head first."""

    async def play() -> list[str]:
        app = Listing(signs, *sources)
        async with app.run_test(size=(width, 12)) as pilot:
            await pilot.pause()
            rows = app.query_one(SourceList)
            count = 1 + rows.row_count()
            return [rows.render_line(y).text for y in range(count)]

    return play()


@played
async def test_a_source_is_two_lines_of_state_and_place() -> None:
    lines = await drawn(UNICODE, 100, OPEN, WAITING)
    assert [line.split() for line in lines[1:]] == [
        ["●", "controller", "open", "12,345", "50.0/s", "2", "kB/s", "2", "s", "ago"],
        ["/dev/ttyCAP0"],
        ["▲", "broker", "waiting", "0", "0.0/s", "0", "B/s", "nothing", "yet", "3", "lost"],
        ["localhost:1883", "nothing", "listens", "there"],
    ]


@played
async def test_columns_stand_under_their_heads() -> None:
    head, line = (await drawn(UNICODE, 100, OPEN))[:2]
    assert head.index("stored") + len("stored") == line.index("12,345") + len("12,345")
    assert head.index("last came") == line.index("2 s ago")


@pytest.mark.parametrize("width", [60, 80, 140])
@pytest.mark.parametrize("signs", [UNICODE, ASCII])
def test_names_from_outside_stay_within_their_line(width: int, signs: Signs) -> None:
    hostile = SourceRow(SourceState(HOSTILE * 3, "prints", HOSTILE * 9, "failed", HOSTILE * 9))

    @played
    async def check() -> None:
        lines = await drawn(signs, width, hostile)
        assert {cell_len(line) for line in lines} == {width}
        assert all(line.isprintable() for line in lines)
        assert not signs.is_ascii or all(line.isascii() for line in lines)

    check()


@played
async def test_each_state_has_a_sign_of_its_own() -> None:
    states: tuple[State, ...] = ("open", "waiting", "failed", "opening", "closed")
    sources = [SourceRow(SourceState(name, "prints", "", name)) for name in states]
    lines = await drawn(ASCII, 100, *sources)
    signs = {line[1] for line in lines[1::2]}
    assert len(signs) == len(states)

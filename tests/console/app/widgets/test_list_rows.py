"""The list under our lists."""

from __future__ import annotations

import pytest
from textual.app import App, ComposeResult

from console.app.timeline.pieces import Row
from console.app.widgets.list_rows import HEAD, ListRows, party_style
from tests.console.app.screens.showing import played


class Numbers(ListRows):
    """Rows 0 to n - 1; every third is no stop."""

    def __init__(self, count: int) -> None:
        super().__init__()
        self.count = count
        self.asked: set[int] = set()

    def row_count(self) -> int:
        return self.count

    def is_stop(self, row: int) -> bool:
        return row % 3 != 0

    def head(self, width: int) -> Row:
        return [("numbers", "head")]

    def pieces(self, row: int, width: int) -> Row:
        self.asked.add(row)
        return [(f"row {row}", "text"), ("!" * 200, "quiet")]


class Shown(App[None]):
    """One list, 10 lines high."""

    def __init__(self, count: int) -> None:
        super().__init__()
        self.numbers = Numbers(count)
        self.chosen: list[int] = []
        self.moved: list[int] = []

    def get_theme_variable_defaults(self) -> dict[str, str]:
        from console.app.themes import variables

        return variables(dark=True)

    def compose(self) -> ComposeResult:
        yield self.numbers

    def on_mount(self) -> None:
        self.numbers.renew()
        self.numbers.focus()

    def on_list_rows_chosen(self, message: ListRows.Chosen) -> None:
        self.chosen.append(message.rows.cursor)

    def on_list_rows_moved(self, message: ListRows.Moved) -> None:
        self.moved.append(message.rows.cursor)


def lines(app: Shown) -> list[str]:
    return [strip.text for strip in app.screen._compositor.render_strips()]


@played
async def test_the_cursor_stops_only_where_it_may() -> None:
    app = Shown(10)
    async with app.run_test(size=(40, 12)) as pilot:
        got = [app.numbers.cursor]
        for key in ("down", "down", "up", "end", "down", "home", "up"):
            await pilot.press(key)
            got.append(app.numbers.cursor)
        assert got == [1, 2, 4, 2, 8, 8, 1, 1]


@played
async def test_of_a_million_rows_only_those_on_the_screen_are_asked_for() -> None:
    app = Shown(1_000_000)
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.press("end")
        await pilot.pause()
        assert app.numbers.cursor == 999_998
        assert "row 999999" in lines(app)[-1]
        assert len(app.numbers.asked) < 60


@played
async def test_the_head_stays_while_rows_scroll() -> None:
    app = Shown(100)
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.press("pagedown", "pagedown", "pagedown")
        await pilot.pause()
        assert lines(app)[0].startswith("numbers")
        assert not lines(app)[HEAD].startswith("row 0")


@played
async def test_a_page_moves_by_what_is_seen() -> None:
    app = Shown(100)
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.press("pagedown")
        assert app.numbers.cursor == 11
        await pilot.press("pageup")
        assert app.numbers.cursor == 1


@played
async def test_rows_are_cut_at_the_edge_beside_the_scrollbar() -> None:
    app = Shown(100)
    async with app.run_test(size=(40, 12)):
        assert lines(app)[1][:39] == "row 0" + "!" * 34


@played
async def test_enter_and_a_second_click_choose() -> None:
    app = Shown(10)
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.press("down", "enter")
        await pilot.click(Numbers, offset=(3, HEAD + 4))
        await pilot.click(Numbers, offset=(3, HEAD + 4), times=2)
        await pilot.pause()
        assert app.chosen == [2, 4]
        assert app.moved[-1] == 4


@pytest.mark.parametrize("offset", [(3, 0), (3, HEAD + 3), (3, HEAD + 9)])
@played
async def test_a_click_beside_the_rows_changes_nothing(offset: tuple[int, int]) -> None:
    app = Shown(5)
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.click(Numbers, offset=offset)
        assert app.numbers.cursor == 1


@played
async def test_a_list_without_rows_takes_every_key() -> None:
    app = Shown(0)
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.press("down", "up", "end", "home", "pagedown", "enter")
        assert (app.numbers.cursor, app.chosen) == (0, [])


@played
async def test_fewer_rows_take_the_cursor_to_one_that_is_there() -> None:
    app = Shown(100)
    async with app.run_test(size=(40, 12)) as pilot:
        await pilot.press("end")
        app.numbers.count = 5
        app.numbers.renew()
        await pilot.pause()
        assert app.numbers.cursor == 4
        assert lines(app)[1].startswith("row 0")


def test_parties_use_their_colours_again_when_there_are_many() -> None:
    assert [party_style(k) for k in (None, 0, 7, 8)] == ["text", "party-1", "party-8", "party-1"]

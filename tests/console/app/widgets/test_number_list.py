from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from textual.pilot import Pilot

from console.app.widgets.number_list import MOST_CHOSEN, NumberList
from tests.console.app.widgets.plots import OneWidget, pressed
from tests.console.timeline.number_series_made import field_of

FIELDS = tuple(field_of(f"number{k}", subject="winder/state") for k in range(12))


class ListApp(OneWidget):
    def __init__(self) -> None:
        self.numbers = NumberList()
        super().__init__(self.numbers)

    def on_number_list_chosen(self, event: NumberList.Chosen) -> None:
        self.told.append([field.name for field in event.fields])


def after(then: Callable[[Pilot[None], ListApp], Awaitable[None]]) -> ListApp:
    app = ListApp()

    async def run() -> None:
        async with app.run_test(size=(40, 20)) as pilot:
            app.numbers.fields = FIELDS
            await pilot.pause()
            app.numbers.rows.focus()
            await then(pilot, app)
            app.told.append(app.lines())

    asyncio.run(run())
    return app


def test_chosen_numbers_are_told_in_order_and_marked() -> None:
    async def choose(pilot: Pilot[None], app: ListApp) -> None:
        await pressed(pilot, "down", "space", "up", "enter")

    first, second, lines = after(choose).told
    assert (first, second) == (["number1"], ["number1", "number0"])
    assert [line.split()[0] for line in lines[3:6]] == ["2", "1", "·"]


def test_choosing_again_takes_a_number_out() -> None:
    async def choose(pilot: Pilot[None], app: ListApp) -> None:
        await pressed(pilot, "space", "down", "space", "up", "space")

    assert after(choose).told[:-1] == [["number0"], ["number0", "number1"], ["number1"]]


def test_no_more_are_chosen_than_there_are_colours() -> None:
    async def choose(pilot: Pilot[None], app: ListApp) -> None:
        await pressed(pilot, *["space", "down"] * 10)

    chosen = after(choose).told[-2]
    assert len(chosen) == MOST_CHOSEN
    assert chosen[-1] == "number9"


def test_typing_narrows_the_list_and_enter_goes_to_it() -> None:
    async def search(pilot: Pilot[None], app: ListApp) -> None:
        await pressed(pilot, "slash", *"ber11", "enter", "space")

    told = after(search).told
    assert told[0] == ["number11"]
    assert [line.split()[1] for line in told[1][3:] if line] == ["number11"]


def test_escape_shows_all_again() -> None:
    async def search(pilot: Pilot[None], app: ListApp) -> None:
        await pressed(pilot, "slash", *"11", "escape")
        app.told.append(app.numbers.rows.has_focus)

    app = after(search)
    assert app.told[0] is True
    assert app.numbers.search.value == ""
    assert len([line for line in app.told[-1] if "number" in line]) > 10

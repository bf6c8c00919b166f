"""The body of the numbers screen: chosen, plotted, paired, moved, wide and narrow."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import polars as pl
from textual.pilot import Pilot

from console.app.widgets.numbers_view import NumbersView
from console.bench.load import load_bench
from tests.console.app.motor import motor_tables
from tests.console.app.widgets.plots import OneWidget, S, pressed, settle
from tests.console.timeline.number_tables import messages, prints, table

END = 24 * S


class ViewApp(OneWidget):
    def __init__(self, view: NumbersView) -> None:
        super().__init__(view)
        self.view = view

    def on_numbers_view_place_chosen(self, event: NumbersView.PlaceChosen) -> None:
        self.told.append(event.t_ns)


def view_of(tables: dict[str, pl.DataFrame], **how: Any) -> NumbersView:
    return NumbersView(tables, load_bench("", "bench.toml"), {}, 0, END, **how)


def after(
    view: NumbersView,
    then: Callable[[Pilot[None], ViewApp], Awaitable[None]] | None = None,
    size: tuple[int, int] = (140, 40),
) -> ViewApp:
    app = ViewApp(view)

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            await settle(pilot)
            view.plot.focus()
            if then is not None:
                await then(pilot, app)
            await settle(pilot)
            app.told.append(app.lines())

    asyncio.run(run())
    return app


def test_a_set_point_and_its_speed_are_shown_with_their_steps_at_once() -> None:
    view = view_of(motor_tables())
    lines = "\n".join(after(view).told[-1])
    assert [s.series.field.name for s in view.plot.series] == ["target_rpm", "speed_rpm"]
    assert "bus winder/state" in lines
    assert "settles 2%" in lines
    assert "'target_rpm' taken as the set point of 'speed_rpm' by its name" in lines
    assert [step.target for step in view.figures.steps] == [1500.0, 900.0, 2200.0]


def test_numbers_chosen_in_the_list_are_plotted() -> None:
    view = view_of(motor_tables())

    async def choose(pilot: Pilot[None], app: ViewApp) -> None:
        view.numbers.rows.focus()
        await pressed(pilot, "down", "down", "space")

    after(view, choose)
    assert [s.series.field.name for s in view.plot.series] == ["target_rpm", "speed_rpm", "heap"]


def test_moving_the_cursor_tells_the_app_and_a_place_from_the_app_moves_all() -> None:
    view = view_of(motor_tables())

    async def move(pilot: Pilot[None], app: ViewApp) -> None:
        await pressed(pilot, "shift+right")
        view.place_ns = 11 * S
        await settle(pilot)

    app = after(view, move)
    assert app.told[:-1] == [6 * S]
    assert view.plot.place_ns == 11 * S
    assert view.figures.cursor == 1


def test_enter_on_a_step_shows_it_from_before_its_change_to_its_end() -> None:
    view = view_of(motor_tables())

    async def choose(pilot: Pilot[None], app: ViewApp) -> None:
        view.figures.focus()
        await pressed(pilot, "down", "enter")

    app = after(view, choose)
    step = view.figures.steps[1]
    first, last = view.plot.shown_ns
    assert app.told[:-1] == [step.at_ns]
    assert first < step.at_ns < step.until_ns < last


def test_t_takes_the_pair_away_and_the_other_way_round() -> None:
    view = view_of(motor_tables())
    pairs = []

    async def cycle(pilot: Pilot[None], app: ViewApp) -> None:
        for _ in range(3):
            await pressed(pilot, "t")
            pairs.append((view.has_class("-steps"), view.plot.series[0].holds))

    after(view, cycle)
    assert pairs == [(True, False), (False, False), (True, True)]


def test_e_takes_another_band_of_settling() -> None:
    view = view_of(motor_tables())
    heads = []

    async def cycle(pilot: Pilot[None], app: ViewApp) -> None:
        for _ in range(4):
            await pressed(pilot, "e")
            head = "".join(text for text, _ in view.figures.head(90))
            heads.append(head[head.index("settles") :].split()[1])

    after(view, cycle)
    assert heads == ["5%", "1%", "10%", "2%"]


def test_the_gains_in_force_stand_beside_the_figures() -> None:
    tables = motor_tables()
    gains = {"t_ns": 0, "source": "bus", "topic": "winder/gains", "fields": '{"kp": 1.7, "ki": 19}'}
    tables["messages"] = pl.concat([table("messages", [gains]), tables["messages"]])
    view = view_of(tables)
    app = after(view)
    assert "gains kp 1.7, ki 19" in "\n".join(app.told[-1])


def test_two_numbers_no_name_pairs_are_a_pair_when_the_user_says_so() -> None:
    texts = [f"aim {0 if k < 40 else 100} got {0 if k < 41 else 100}" for k in range(90)]
    view = view_of({"prints": prints(texts, every_ns=100_000_000)})

    async def pair(pilot: Pilot[None], app: ViewApp) -> None:
        view.numbers.rows.focus()
        await pressed(pilot, "down", "space")
        app.told.append(view.has_class("-steps"))
        view.plot.focus()
        await pressed(pilot, "t")

    app = after(view, pair)
    assert app.told[0] is False
    assert [step.target for step in view.figures.steps] == [100.0]
    assert "board aim taken as the set point of board got" in "\n".join(app.told[-1])


def test_at_80_columns_list_and_plots_take_turns() -> None:
    view = view_of(motor_tables())

    async def turn(pilot: Pilot[None], app: ViewApp) -> None:
        app.told.append(app.lines())
        await pressed(pilot, "l")
        app.told.append(app.lines())
        await pressed(pilot, "l")

    plots, numbers, again = after(view, turn, (80, 24)).told
    assert plots[0].startswith(" 1  bus target_rpm")
    assert numbers[0].startswith("search numbers")
    assert again == plots


def test_more_read_keeps_what_was_chosen_and_where_the_user_is() -> None:
    whole = motor_tables()
    view = view_of({"messages": whole["messages"].head(600)})
    view.set_reactive(NumbersView.place_ns, 3 * S)

    async def grow(pilot: Pilot[None], app: ViewApp) -> None:
        view.numbers.rows.focus()
        await pressed(pilot, "space")
        view.show(whole, 0, END)
        await settle(pilot)

    after(view, grow)
    [series] = view.plot.series
    assert (series.series.field.name, len(series.series)) == ("speed_rpm", 1_200)
    assert view.plot.place_ns == 3 * S


def test_a_run_without_numbers_says_so() -> None:
    assert any("No number is chosen." in line for line in after(view_of({})).told[-1])


def test_hostile_names_and_ascii_alone_stay_on_the_screen_as_text() -> None:
    rude = "[/b][@click=quit]\x1b]0;x\x07[/]\u202e"
    fields = [f'{{"n":{k}}}' for k in range(20)]
    view = view_of({"messages": messages(fields, rude), **motor_tables(rude)}, ascii_only=True)
    text = "".join(after(view).told[-1])
    assert "[/b][@click=quit]<U+001B>" in text
    assert text.isascii()

"""The plot as a widget: drawn at all sizes, moved, zoomed, overlaid."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import numpy as np
import pytest
from rich.cells import cell_len
from textual.pilot import Pilot

from console.app.themes import THEMES
from console.app.widgets.plot import MODES, Mode, Plot
from console.app.widgets.plot_lane import PlotSeries
from console.timeline.numbers.number_limits import NumberLimit
from tests.console.app.widgets.plots import OneWidget, S, plotted, pressed

WAVE = np.sin(np.arange(61) / 6) * 40 + 50
HOSTILE = "x\x1b[31m[/x][@click=quit]\x07\u202e\u200b\ud800 wide 計"


class PlotApp(OneWidget):
    def __init__(self, plot: Plot, theme: str = "") -> None:
        super().__init__(plot, theme)
        self.plot = plot

    def on_plot_moved(self, event: Plot.Moved) -> None:
        self.told.append(event.t_ns)


def plot_of(*series: PlotSeries, ascii_only: bool = False, place_ns: int = 30 * S) -> Plot:
    plot = Plot()
    plot.set_reactive(Plot.series, series)
    plot.set_reactive(Plot.whole_ns, (0, 60 * S))
    plot.set_reactive(Plot.place_ns, place_ns)
    plot.set_reactive(Plot.ascii_only, ascii_only)
    return plot


def shown(
    plot: Plot,
    then: Callable[[Pilot[None], PlotApp], Awaitable[None]] | None = None,
    *,
    size: tuple[int, int] = (80, 24),
    theme: str = "",
) -> PlotApp:
    """The app after it was on the screen; `app.seen` are the lines."""
    app = PlotApp(plot, theme)

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            if then is not None:
                await then(pilot, app)
            app.told.append(app.lines())

    asyncio.run(run())
    return app


def lines(plot: Plot, size: tuple[int, int] = (80, 24)) -> list[str]:
    found: list[str] = shown(plot, size=size).told[-1]
    return found


def test_a_lane_in_ascii_is_drawn_with_its_limit_cursor_and_times() -> None:
    series = plotted(WAVE, unit="cm", limits=[NumberLimit(None, 95.0, "rule")])
    assert lines(plot_of(series, ascii_only=True), (60, 9)) == [
        " 1  winder speed 11.643 cm at 00:30.000",
        "max 95|======.....===============:============.....=========",
        "      |   .,''   '',.            :         .,''   '',.",
        "      | ,''         '|.          :       ,''         '',",
        "    50|''             '|.        :     ,''             '',",
        "      |                 '',      :   ,''                 '',",
        "      |                   '',..  ..,''",
        "     0|                       ''''",
        "       '00:00  '00:10   '00:20   '00:30   '00:40   '00:50",
    ]


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("size", [(40, 6), (40, 4), (80, 24), (13, 5), (11, 3), (200, 60)])
def test_every_size_is_filled_and_no_row_is_too_wide(
    mode: Mode, ascii_only: bool, size: tuple[int, int]
) -> None:
    series = [plotted(WAVE * k, number=k, name=HOSTILE) for k in range(1, 6)]
    plot = plot_of(*series, ascii_only=ascii_only)
    plot.set_reactive(Plot.mode, mode)
    found = lines(plot, size)
    assert len(found) == size[1]
    assert all(cell_len(line) <= size[0] for line in found)
    assert not {"\x1b", "\x07", "\u202e", "\u200b", "\ud800"} & set("".join(found))
    assert not ascii_only or "".join(found).isascii()


def test_names_from_outside_are_text_and_no_markup() -> None:
    assert "[/x][@click=quit]" in lines(plot_of(plotted(WAVE, name=HOSTILE)), (120, 12))[0]


def test_lanes_without_room_are_told_and_reached_with_a_key() -> None:
    series = [plotted(WAVE, number=k, name=f"n{k}") for k in range(1, 6)]

    async def down(pilot: Pilot[None], app: PlotApp) -> None:
        assert app.lines()[0].startswith(" 1  winder n1")
        assert app.lines()[-1].endswith("3 more: up, down")
        await pressed(pilot, "down", "down")

    assert shown(plot_of(*series), down, size=(60, 8)).told[-1][0].startswith(" 3  winder n3")


def test_one_area_takes_all_series_and_then_a_scale_for_each() -> None:
    small, large = plotted(WAVE, unit="cm"), plotted(WAVE * 1000, number=2, unit="cm")

    async def overlay(pilot: Pilot[None], app: PlotApp) -> None:
        await pressed(pilot, "o")
        app.told.append(app.lines())
        await pressed(pilot, "o")

    shared, scaled = shown(plot_of(small, large), overlay).told
    assert [line[:17] for line in shared[:2]] == [" 1  winder speed ", " 2  winder speed "]
    assert any(line.startswith("80000│") for line in shared[2:])
    assert scaled[0].endswith("10.0418 to 89.9915 cm")
    assert scaled[1].endswith("10041.8 to 89991.5 cm")


@pytest.mark.parametrize(
    ("keys", "at_s"),
    [
        (["right"], 30.0),
        (["left"], 29.0),
        (["ctrl+right"], 31.0),
        (["ctrl+left"], 29.0),
        (["shift+right"], 45.0),
        (["shift+left", "shift+left", "shift+left"], 0.0),
    ],
)
def test_keys_move_the_cursor_and_the_parent_is_told(keys: list[str], at_s: float) -> None:
    async def press(pilot: Pilot[None], app: PlotApp) -> None:
        await pressed(pilot, *keys)

    app = shown(plot_of(plotted(WAVE)), press)
    assert app.plot.place_ns / S == pytest.approx(at_s, abs=1.3)
    assert app.told[:-1][-1] == app.plot.place_ns
    assert len(app.told) == len(keys) + 1


def test_values_are_visited_exactly() -> None:
    async def press(pilot: Pilot[None], app: PlotApp) -> None:
        await pressed(pilot, "ctrl+right", "ctrl+right")

    assert shown(plot_of(plotted(WAVE), place_ns=7 * S + 1), press).plot.place_ns == 9 * S


def test_a_place_set_from_outside_moves_the_cursor_and_tells_nobody() -> None:
    async def place(pilot: Pilot[None], app: PlotApp) -> None:
        app.plot.place_ns = 45 * S
        await pilot.pause()

    app = shown(plot_of(plotted(WAVE)), place)
    assert len(app.told) == 1
    assert "at 00:45.000" in app.told[-1][0]


def test_a_click_moves_the_cursor_to_its_column() -> None:
    async def click(pilot: Pilot[None], app: PlotApp) -> None:
        await pilot.click(Plot, offset=(60, 5))

    app = shown(plot_of(plotted(WAVE)), click)
    column = app.told[-1][8].rindex("│")
    assert column in (59, 60, 61)
    assert app.told[0] == app.plot.place_ns


def test_zooming_keeps_the_cursor_in_its_column_and_0_shows_all() -> None:
    async def zoom(pilot: Pilot[None], app: PlotApp) -> None:
        await pressed(pilot, "plus", "plus")
        app.told.append(app.plot.shown_ns)
        await pressed(pilot, "0")

    app = shown(plot_of(plotted(WAVE), place_ns=20 * S), zoom)
    assert app.told[0] == (15 * S, 30 * S)
    assert app.plot.shown_ns == (0, 60 * S)


def test_zooming_out_of_all_there_is_shows_all() -> None:
    plot = plot_of(plotted(WAVE))
    plot.set_reactive(Plot.window_ns, (10 * S, 20 * S))

    async def zoom(pilot: Pilot[None], app: PlotApp) -> None:
        await pressed(pilot, *["minus"] * 5)

    assert shown(plot, zoom).plot.window_ns is None


def test_a_place_out_of_sight_is_brought_into_sight() -> None:
    plot = plot_of(plotted(WAVE))
    plot.set_reactive(Plot.window_ns, (10 * S, 20 * S))

    async def place(pilot: Pilot[None], app: PlotApp) -> None:
        app.plot.place_ns = 50 * S
        await pilot.pause()

    assert shown(plot, place).plot.shown_ns == (45 * S, 55 * S)


def test_a_gap_is_left_open() -> None:
    values = np.full(61, 5.0)
    series = plotted(values)
    keep = np.r_[0:20, 45:61]
    gap = PlotSeries.of(
        type(series.series)(
            series.series.field,
            series.series.t_ns[keep],
            series.series.values[keep],
            series.series.band_ns[keep],
            series.series.row[keep],
        ),
        [],
        1,
    )
    rows = lines(plot_of(gap, ascii_only=True, place_ns=0), (66, 6))
    [curve] = [row for row in rows[1:-1] if row.count("-") + row.count(".") + row.count("'") > 10]
    assert " " * 20 in curve.split("|", 1)[1].strip()


def test_nothing_chosen_says_so() -> None:
    assert any("No number is chosen." in line for line in lines(plot_of()))


@pytest.mark.parametrize("theme", [each.name for each in THEMES])
def test_colours_follow_the_theme(theme: str) -> None:
    async def colours(pilot: Pilot[None], app: PlotApp) -> None:
        app.told.append(app.colours())

    app = shown(plot_of(plotted(WAVE)), colours, theme=theme)
    expected = app.get_theme_variable_defaults()["party-1"]
    assert expected in {c.name for c in app.told[0] if c is not None}


def test_a_changed_theme_is_drawn_in_its_own_colours() -> None:
    async def change(pilot: Pilot[None], app: PlotApp) -> None:
        app.theme = THEMES[1].name
        await pilot.pause()
        app.told.append(app.colours())

    app = shown(plot_of(plotted(WAVE)), change)
    expected = app.get_theme_variable_defaults()["party-1"]
    assert expected in {c.name for c in app.told[0] if c is not None}

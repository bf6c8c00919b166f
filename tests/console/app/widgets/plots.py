"""Series and apps for the tests of plots."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from textual.app import App, ComposeResult
from textual.pilot import Pilot
from textual.widget import Widget

from console.app.themes import THEMES, variables
from console.app.widgets.plot_lane import PlotSeries
from console.timeline.numbers.number_limits import NumberLimit
from tests.console.timeline.number_series_made import field_of, series_of

S = 1_000_000_000


def plotted(
    values: npt.ArrayLike,
    *,
    number: int = 1,
    name: str = "speed",
    unit: str = "",
    limits: Sequence[NumberLimit] = (),
    every_ns: int = S,
    holds: bool = False,
    band_ns: int = 0,
) -> PlotSeries:
    """A series with a value a second from 0 on."""
    given = np.asarray(values, np.float64)
    t_ns = np.arange(len(given), dtype=np.int64) * every_ns
    series = series_of(t_ns, given, field_of(name, unit=unit), band_ns)
    return PlotSeries.of(series, limits, number, holds=holds)


class OneWidget(App[None]):
    """A widget and nothing else; keeps the messages it is told."""

    def __init__(self, widget: Widget, theme: str = "") -> None:
        super().__init__()
        self.widget = widget
        self.told: list[Any] = []
        for each in THEMES:
            self.register_theme(each)
        self.theme = theme or THEMES[0].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=self.current_theme.dark)

    def compose(self) -> ComposeResult:
        yield self.widget

    async def on_mount(self) -> None:
        self.widget.focus()

    def lines(self) -> list[str]:
        """What is on the screen."""
        return ["".join(s.text).rstrip() for s in self.screen._compositor.render_strips()]

    def colours(self) -> set[Any]:
        """The colours on the screen."""
        strips = self.screen._compositor.render_strips()
        return {segment.style.color for strip in strips for segment in strip if segment.style}


Then = Callable[[Pilot[None]], Awaitable[None]]


async def settle(pilot: Pilot[None]) -> None:
    """Let threads end and what they found be taken in."""
    for _ in range(3):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()


async def pressed(pilot: Pilot[None], *keys: str) -> None:
    """Press keys, and let what follows happen."""
    for key in keys:
        await pilot.press(key)
        await settle(pilot)

"""An app with one line at its foot, for the tests of lines."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Generic, TypeVar

from textual.app import App, ComposeResult
from textual.message import Message
from textual.pilot import Pilot
from textual.widgets import Static

from console.app.themes import THEMES, variables
from console.app.widgets.one_line import OneLine

Line = TypeVar("Line", bound=OneLine)


class Rest(Static, can_focus=True):
    """What has the focus while the line is closed."""

    DEFAULT_CSS = "Rest { height: 1fr; }"


class LineApp(App[None], Generic[Line]):
    """A line, something above it, and the messages that came up."""

    def __init__(self, line: Line) -> None:
        super().__init__()
        self.under_test = line
        line.pause_s = 0.001
        self.told: list[Message] = []
        for theme in THEMES:
            self.register_theme(theme)
        self.theme = THEMES[0].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=self.current_theme.dark)

    def compose(self) -> ComposeResult:
        yield Rest("above")
        yield self.under_test

    def on_mount(self) -> None:
        self.query_one(Rest).focus()

    def hear(self, message: Message) -> None:
        """Keep the messages of the line, each once."""
        own = type(message).__qualname__.split(".")[0]
        if own in (type(self.under_test).__name__, "OneLine") and message not in self.told:
            self.told.append(message)

    def lines(self) -> list[str]:
        """What is on the screen."""
        strips = self.screen._compositor.render_strips()
        return ["".join(strip.text).rstrip() for strip in strips]


Then = Callable[[LineApp[Line], Pilot[None]], Awaitable[None]]


def run_line(line: Line, then: Then[Line], size: tuple[int, int] = (80, 24)) -> LineApp[Line]:
    """Run an app with the line, do something with it, and end."""
    app = LineApp(line)

    async def whole() -> None:
        async with app.run_test(size=size, message_hook=app.hear) as pilot:
            await then(app, pilot)

    asyncio.run(whole())
    return app


async def typed(pilot: Pilot[None], text: str) -> None:
    """Type a text and wait until it was looked at."""
    await pilot.press(*(NAMES.get(c, c) for c in text))
    await paused(pilot)


async def paused(pilot: Pilot[None]) -> None:
    """Let timers go off and what they show be drawn."""
    await pilot.pause(0.02)
    await pilot.pause()


NAMES = {" ": "space", "'": "apostrophe", ".": "full_stop", ",": "comma", "=": "equals_sign"}

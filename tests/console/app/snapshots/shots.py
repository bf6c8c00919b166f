"""What is on a screen before its picture is taken: one line a picture.

`SHOTS` has them all; a new screen, or a state of one worth holding, is one more line. Pictures are
of the demo, whose files never change, in the theme the console opens with.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Any

from textual.pilot import Pilot

from console.app.app import SCREENS, LastackApp
from console.app.run_view import RunView
from console.app.themes import CELLAR
from tests.console.app.screens.showing import screen_lines
from tests.console.app.timeline.views import demo_with_levels

LOOKS, LOOK_S = 600, 0.08  # a screen is still when two looks in a row see the same


def pictured() -> RunView:
    """The demo, its files by their names alone: a picture holds no path of a machine."""
    view = demo_with_levels()
    named = [
        replace(source, files=[PurePath(file).name for file in source.files])
        for source in view.evidence.sources
    ]
    return replace(view, evidence=replace(view.evidence, sources=named))


@dataclass(frozen=True)
class Shot:
    """One picture."""

    name: str
    screen: str  # of the app's modes
    keys: tuple[str, ...] = ()  # pressed when the screen is still; each waits for that again


LIVE = ("recording",)  # shows rates and times of what is recorded now: no two pictures are alike
SHOTS = (
    Shot("minutes", "timeline", ("escape",)),
    Shot("events", "timeline"),
    Shot("bits", "timeline", ("up", "up", "up", "enter")),  # under the last good reply
    *(Shot(name, name) for name in SCREENS if name not in ("timeline", *LIVE)),
    Shot("start", "start"),
)


def app_for(shot: Shot, *, ascii_only: bool = False, theme: str = CELLAR.name) -> LastackApp:
    """An app that shows nothing yet, and remembers and keeps nothing."""
    app = LastackApp(starts=shot.screen == "start", ascii_only=ascii_only)
    app.theme = theme
    return app


def staged(shot: Shot) -> Callable[[Pilot[Any]], Awaitable[None]]:
    """What brings an app to where the picture is taken."""

    async def stage(pilot: Pilot[Any]) -> None:
        app = pilot.app
        assert isinstance(app, LastackApp)
        if shot.screen != "start":
            app.view = pictured()
            await app.action_switch_to(shot.screen)
        await stillness(pilot)
        for key in shot.keys:
            await pilot.press(key)
            await stillness(pilot)

    return stage


async def stillness(pilot: Pilot[Any]) -> None:
    """Wait until the screen no longer changes: some parts follow a moment after a key."""
    app = pilot.app
    assert isinstance(app, LastackApp)
    before: list[str] | None = None
    for _ in range(LOOKS):
        await pilot.pause(LOOK_S)
        now = screen_lines(app)
        if now == before and not any(worker.is_running for worker in app.workers):
            return
        before = now
    raise AssertionError("the screen never stood still")

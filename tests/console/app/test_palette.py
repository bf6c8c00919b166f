"""What the command palette offers of a run, and that it goes there."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, ClassVar

import pytest
from textual.app import App
from textual.pilot import Pilot
from textual.screen import Screen
from textual.widgets import Input, OptionList

from console.app.palette import MOST_DISCOVERED, PlacesProvider, palette_places
from console.app.run_view import RunView
from console.app.screens.run_screen import GoTo
from console.app.state.kept import Kept, Mark
from tests.console.app.whole_runs import S, finding, whole_run
from tests.console.timeline.small_runs import HOSTILE

FINDINGS = (
    finding(11 * S, "controller", "a late reply", "warning"),
    finding(12 * S - 500, "controller", "camera stopped answering"),
)
VIEW = whole_run(findings=FINDINGS)
MARKS = [Mark(5 * S, ""), Mark(3 * S, "cap jammed")]


def titles(view: RunView | None = VIEW) -> list[str]:
    return [place.title for place in palette_places(view, MARKS, ["timeline", "trust"])]


def test_findings_come_first_the_gravest_at_the_top() -> None:
    assert titles()[:2] == ["fault: camera stopped answering", "warning: a late reply"]


def test_marks_parties_and_screens_follow() -> None:
    assert titles()[2:] == [
        "mark 1: cap jammed",
        "mark 2: 00:05.000",
        "controller: first event",
        "controller: first problem",
        "controller: last event",
        "camera: first event",
        "camera: last event",
        "i2c-1: first event",
        "i2c-1: first problem",
        "i2c-1: last event",
        "broker: first event",
        "broker: last event",
        "screen: timeline",
        "screen: trust",
    ]


def test_a_place_leads_to_its_event() -> None:
    place = next(p for p in palette_places(VIEW, [], []) if p.title == "i2c-1: first problem")
    assert place.event is not None
    assert (place.t_ns, int(VIEW.events.state[place.event])) == (12 * S - 500, 2)


def test_without_a_run_there_is_nowhere_to_go() -> None:
    assert titles(None) == []


class PaletteApp(App[None]):
    """An app as the palette asks for, and what was asked of it."""

    COMMANDS = {PlacesProvider}  # noqa: RUF012 - as the base class declares it
    MODES: ClassVar[dict[str, str | Callable[[], Screen[Any]]]] = {
        "timeline": Screen,
        "start": Screen,
    }

    def __init__(self, view: RunView) -> None:
        super().__init__()
        self.view = view
        self.kept = Kept(marks=list(MARKS))
        self.gone: list[GoTo | str] = []

    def on_go_to(self, message: GoTo) -> None:
        self.gone.append(message)

    async def action_switch_to(self, name: str) -> None:
        self.gone.append(name)


Then = Callable[[PaletteApp, Pilot[None]], Awaitable[None]]


def run_palette(then: Then, view: RunView = VIEW) -> PaletteApp:
    app = PaletteApp(view)

    async def whole() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press("ctrl+p")
            await offered(pilot)
            await then(app, pilot)

    asyncio.run(whole())
    return app


async def offered(pilot: Pilot[None]) -> list[str]:
    """What the palette offers once it has looked."""
    for _ in range(4):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
    options = pilot.app.screen.query_one(OptionList)
    return [str(options.get_option_at_index(k).prompt) for k in range(options.option_count)]


async def search(pilot: Pilot[None], text: str) -> list[str]:
    pilot.app.screen.query_one(Input).value = text
    return await offered(pilot)


def test_a_finding_is_found_and_gone_to() -> None:
    async def then(app: PaletteApp, pilot: Pilot[None]) -> None:
        found = await search(pilot, "stopped ans")
        assert found[0].startswith("fault: camera stopped answering")
        await pilot.press("enter", "enter")
        await offered_nothing(pilot)

    app = run_palette(then)
    assert [(m.t_ns, m.event) for m in app.gone if isinstance(m, GoTo)] == [
        (12 * S - 500, VIEW.event_of(FINDINGS[1]))
    ]


async def offered_nothing(pilot: Pilot[None]) -> None:
    for _ in range(4):
        await pilot.pause()


def test_a_screen_is_switched_to_and_those_without_a_run_are_not_offered() -> None:
    async def then(app: PaletteApp, pilot: Pilot[None]) -> None:
        found = await search(pilot, "screen")
        assert [text.splitlines()[0] for text in found] == ["screen: timeline"]
        await pilot.press("enter", "enter")
        await offered_nothing(pilot)

    assert run_palette(then).gone == ["timeline"]


def test_before_anything_is_typed_only_some_findings_are_offered() -> None:
    many = [finding(k, "controller", f"number {k}") for k in range(MOST_DISCOVERED + 5)]

    async def then(app: PaletteApp, pilot: Pilot[None]) -> None:
        texts = await offered(pilot)
        assert sum(text.startswith("fault") for text in texts) == MOST_DISCOVERED
        assert any(text.startswith("mark 1") for text in texts)

    run_palette(then, whole_run(findings=many))


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_findings_are_offered_harmlessly(text: str) -> None:
    view = whole_run(findings=[finding(S, "controller", text)])

    async def then(app: PaletteApp, pilot: Pilot[None]) -> None:
        texts = await search(pilot, "fault")
        assert len(texts) == 1
        strips = app.screen._compositor.render_strips()
        assert all("".join(strip.text).isprintable() for strip in strips)

    run_palette(then, view)

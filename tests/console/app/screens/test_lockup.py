"""The lockup screen, played on."""

from __future__ import annotations

import threading
from dataclasses import replace
from functools import partial
from threading import Event

import pytest
from textual.pilot import Pilot

from console.app.app import LastackApp
from console.app.run_view import Held
from console.app.screens.lockup import NO_BUS, NOTHING, WORKING, LockupScreen
from console.app.screens.timeline import TimelineScreen
from console.app.widgets.story_list import StoryList
from console.diagnosis.causes.experiment_table import EXPERIMENTS
from console.diagnosis.causes.experiments import Outcome
from console.diagnosis.episode import Episode
from console.diagnosis.story import Line, Part, Place, Story
from console.pipeline.looked import Looked
from console.pipeline.telling import Told
from console.watch.names import Names
from tests.console.app.growing_runs import until_so
from tests.console.app.screens.showing import (
    HOSTILE,
    demo_view,
    empty_view,
    played,
    screen_text,
    showing,
)
from tests.console.app.timeline.views import demo_with_levels
from tests.console.diagnosis.stories import S, some_episode

SIZES = [(80, 24), (140, 45), (250, 70)]


def looked(*episodes: Episode) -> Looked:
    """A run with those lives, of which nothing more is known."""
    return Looked(episodes, [], Names(), [], None)


def some_told(*words: str) -> Told:
    """Two stories; the lines of the first lead to moments of the demo."""
    lines = tuple(Line(text, Place((k + 1) * S)) for k, text in enumerate(words or ("one", "two")))
    first = Story(some_episode(), "camera stopped", (Part("What happened", lines),))
    later = replace(some_episode(), recovered=True, first_bad_ns=1_000 * S, until_ns=1_100 * S)
    second = Story(later, "camera stopped for a while", (Part("What happened", lines[:1]),))
    return Told(looked(later, some_episode()), [first, second])


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Told:
    """Stories that take no time to find."""
    found = some_told()
    monkeypatch.setattr("console.app.screens.lockup.told", lambda *_, **__: found)
    return found


def is_as_long(asked: list[object], count: int) -> bool:
    """Whether stories were asked for so often."""
    return len(asked) == count


async def ready(pilot: Pilot[int], app: LastackApp) -> LockupScreen:
    """Wait until the stories are there."""
    screen = app.screen
    assert isinstance(screen, LockupScreen)
    await until_so(pilot, lambda: screen.has_class("-told"))
    await pilot.pause()
    return screen


@pytest.mark.parametrize("size", SIZES)
@played
async def test_the_story_of_the_demo_is_told(size: tuple[int, int]) -> None:
    async with showing("lockup", demo_with_levels(), size) as (app, pilot):
        await ready(pilot, app)
        text = screen_text(app)
        assert "after 2,047 answered polls (34.1 min)" in text
        assert "What happened" in text
        assert "last answered: " in text
        assert "one less than 2^11 = 2,048" in text


@played
async def test_enter_goes_to_the_evidence_and_b_comes_back(told: Told) -> None:
    async with showing("lockup", demo_view()) as (app, pilot):
        await ready(pilot, app)
        await pilot.press("down", "enter")
        await pilot.pause()
        assert isinstance(app.screen, TimelineScreen)
        assert app.screen.place()[0] == pytest.approx(2 * S, abs=S)
        await pilot.press("b")
        await pilot.pause()
        assert app.current_mode == "lockup"


@played
async def test_the_last_good_reply_is_one_key_from_the_story() -> None:
    view = demo_with_levels()
    async with showing("lockup", view) as (app, pilot):
        screen = await ready(pilot, app)
        place = screen.query_one(StoryList).place
        assert place is not None
        assert place.table == "transactions"
        await pilot.press("enter")
        await pilot.pause()
        assert isinstance(app.screen, TimelineScreen)
        t_ns, event = app.screen.place()
        assert t_ns == place.t_ns
        assert event is not None
        assert view.words(event) == "blocks sequence=2047 0 blocks"  # what the transaction said


@played
async def test_the_brackets_go_from_episode_to_episode_and_round(told: Told) -> None:
    async with showing("lockup", demo_view()) as (app, pilot):
        await ready(pilot, app)
        heads = []
        for key in ("right_square_bracket", "right_square_bracket", "left_square_bracket"):
            await pilot.press(key)
            await pilot.pause()
            heads.append("2 of 2: camera stopped for a while" in screen_text(app))
        assert heads == [True, False, True]


@played
async def test_a_run_in_which_nothing_stopped_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    none = Told(looked(), [])
    monkeypatch.setattr("console.app.screens.lockup.told", lambda *_, **__: none)
    async with showing("lockup", demo_view()) as (app, pilot):
        await until_so(pilot, lambda: NOTHING in screen_text(app))
        assert not app.screen.has_class("-told")


@played
async def test_without_a_bus_it_is_not_said_that_nothing_stopped() -> None:
    async with showing("lockup", empty_view(), (200, 24)) as (app, pilot):
        await until_so(pilot, lambda: NO_BUS in screen_text(app))
        assert NOTHING not in screen_text(app)


@played
async def test_while_the_stories_of_another_view_are_made_nothing_is_said_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async with showing("lockup", empty_view(), (200, 24)) as (app, pilot):
        await until_so(pilot, lambda: NO_BUS in screen_text(app))
        go = Event()

        def made(*_: object, **__: object) -> Told:
            go.wait(10)
            return some_told()

        monkeypatch.setattr("console.app.screens.lockup.told", made)
        app.view = demo_view()
        await until_so(pilot, lambda: WORKING in screen_text(app))
        assert NO_BUS not in screen_text(app)
        go.set()
        await ready(pilot, app)


@played
async def test_hostile_words_are_drawn_harmlessly(monkeypatch: pytest.MonkeyPatch) -> None:
    found = some_told(HOSTILE, HOSTILE * 100)
    monkeypatch.setattr("console.app.screens.lockup.told", lambda *_, **__: found)
    async with showing("lockup", demo_view(), (80, 24)) as (app, pilot):
        await ready(pilot, app)
        drawn = screen_text(app).replace("\n", "")
        assert drawn.isprintable()


@played
async def test_another_view_of_the_run_is_told_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []

    def counted(evidence: object, *_: object, **__: object) -> Told:
        asked.append(evidence)
        return some_told()

    monkeypatch.setattr("console.app.screens.lockup.told", counted)
    async with showing("lockup", demo_view()) as (app, pilot):
        await ready(pilot, app)
        await app.action_switch_to("trust")
        await app.action_switch_to("lockup")
        await pilot.pause()
        assert len(asked) == 1
        app.view = empty_view()
        await until_so(pilot, lambda: len(asked) == 2)


@played
async def test_what_came_of_an_experiment_is_kept_and_may_be_taken_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[object] = []
    one, other = (("poll-rate", outcome) for outcome in EXPERIMENTS[0].outcomes[:2])
    lines = tuple(Line(f"if {outcome}", outcome=(name, outcome)) for name, outcome in (one, other))
    story = Story(some_episode(), "camera stopped", (Part("What to try next", lines),))
    found = Told(looked(some_episode()), [story])

    def again(known: Looked, outcomes: list[Outcome]) -> Told:
        assert known is found.looked
        asked.append([(each.experiment, each.outcome) for each in outcomes])
        return found

    monkeypatch.setattr("console.app.screens.lockup.told", lambda *_, **__: found)
    monkeypatch.setattr("console.app.screens.lockup.told_of", again)
    async with showing("lockup", demo_view()) as (app, pilot):
        await ready(pilot, app)
        for count, keys in enumerate((("enter",), ("down", "enter"), ("enter",)), 1):
            await pilot.press(*keys)
            await until_so(pilot, partial(is_as_long, asked, count))
            await pilot.pause()
        assert asked == [[one], [other], []]
        assert app.kept.outcomes == {"camera": []}


@played
async def test_what_the_head_of_the_screen_tells_is_not_told_again_under_it() -> None:
    async with showing("lockup", demo_view(), (80, 24)) as (app, pilot):
        await ready(pilot, app)
        lines = screen_text(app).splitlines()
        assert "camera stopped answering at 34:10.853" in lines[1]
        assert lines[4].strip() == "1 of 2: camera, 0x2E on i2c-1"
        assert sum("stopped answering" in line for line in lines) == 1


@played
async def test_while_a_run_grows_a_story_is_finished_before_the_next_is_begun(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[object] = []
    may_end = threading.Event()

    def slow(evidence: object, *_: object, **__: object) -> Told:
        asked.append(evidence)
        may_end.wait(20)
        return some_told()

    monkeypatch.setattr("console.app.screens.lockup.told", slow)
    view = demo_view()
    looks = [
        replace(view, held=Held((view.start_ns, view.end_ns), is_newest=True, grows=True))
        for _ in range(3)
    ]
    async with showing("lockup", looks[0]) as (app, pilot):
        for look in looks[1:]:
            app.view = look
            await pilot.pause()
        assert len(asked) == 1  # others looked meanwhile, and none began anew
        may_end.set()
        await ready(pilot, app)
        await until_so(pilot, partial(is_as_long, asked, 2))  # of the newest, not of each
        await pilot.pause(0.2)
        assert len(asked) == 2

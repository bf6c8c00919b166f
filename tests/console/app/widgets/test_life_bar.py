"""The bar of one device's lives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from textual.app import App, ComposeResult

from console.app.signs import ASCII, UNICODE, Signs
from console.app.themes import CELLAR, variables
from console.app.widgets.life_bar import LifeBar
from console.diagnosis.episode import Episode
from tests.console.app.screens.showing import played
from tests.console.diagnosis.stories import S, some_episode

RUN = (0, 3_000 * S)
SHORT = replace(some_episode(), until_ns=2_049 * S)
AFTER = replace(
    some_episode(failed=False), first_good_ns=2_050 * S, last_good_ns=3_000 * S, until_ns=3_000 * S
)


class BarApp(App[None]):
    def __init__(self, lives: Sequence[Episode], signs: Signs) -> None:
        super().__init__()
        self._lives, self._signs = lives, signs
        self.chosen: list[int] = []
        self.register_theme(CELLAR)
        self.theme = CELLAR.name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    def compose(self) -> ComposeResult:
        yield LifeBar(self._signs)

    def on_mount(self) -> None:
        self.query_one(LifeBar).show(self._lives, self._lives[0], RUN)

    def on_life_bar_chosen(self, message: LifeBar.Chosen) -> None:
        self.chosen.append(message.t_ns)


def drawn(app: BarApp) -> list[str]:
    bar = app.query_one(LifeBar)
    return [bar.render_line(y).text.rstrip() for y in range(2)]


@played
async def test_healthy_and_dead_stretches_differ_in_shape() -> None:
    async with BarApp([some_episode()], UNICODE).run_test(size=(39, 4)) as pilot:
        assert isinstance(pilot.app, BarApp)
        bar, under = drawn(pilot.app)
        assert bar == " camera " + "━" * 20 + "╳╳" + "·" * 8
        assert under.index("▲") == bar.index("╳")


@played
async def test_a_dead_stretch_is_seen_however_short_it_is() -> None:
    async with BarApp([SHORT, AFTER], ASCII).run_test(size=(39, 4)) as pilot:
        assert isinstance(pilot.app, BarApp)
        assert drawn(pilot.app)[0].count("x") == 1
        assert drawn(pilot.app)[0].isascii()


@pytest.mark.parametrize("cell", [8, 22, 37])
@played
async def test_a_click_means_a_moment(cell: int) -> None:
    async with BarApp([some_episode()], UNICODE).run_test(size=(39, 4)) as pilot:
        await pilot.click(LifeBar, offset=(cell, 0))
        assert isinstance(pilot.app, BarApp)
        assert pilot.app.chosen == [(cell - 8) * RUN[1] // 30]


@played
async def test_a_bar_without_room_is_blank() -> None:
    async with BarApp([some_episode()], UNICODE).run_test(size=(6, 4)) as pilot:
        assert isinstance(pilot.app, BarApp)
        assert drawn(pilot.app) == ["", ""]


@pytest.mark.parametrize("first_bad", [100 * S, 2_900 * S])
@played
async def test_the_moments_stand_beside_the_sign_where_there_is_room(first_bad: int) -> None:
    meant = replace(some_episode(), last_good_ns=first_bad - S, first_bad_ns=first_bad)
    async with BarApp([meant], UNICODE).run_test(size=(79, 4)) as pilot:
        assert isinstance(pilot.app, BarApp)
        under = drawn(pilot.app)[1]
        moments = {100 * S: "last good 01:39.000, first bad 01:40.000"}
        moments[2_900 * S] = "last good 48:19.000, first bad 48:20.000"
        assert moments[first_bad] in under
        assert under.strip().startswith("▲") == (first_bad == 100 * S)


@played
async def test_without_a_good_answer_there_is_no_last_one() -> None:
    never = replace(some_episode(), transactions_answered=0)
    async with BarApp([never], UNICODE).run_test(size=(79, 4)) as pilot:
        assert isinstance(pilot.app, BarApp)
        assert "first bad 34:08.000" in drawn(pilot.app)[1]
        assert "last good" not in drawn(pilot.app)[1]

"""The clocks screen, played on."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from textual.pilot import Pilot

from console.app.app import LastackApp
from console.app.loading import Loader
from console.app.run_view import RunView
from console.app.screens.clocks import ClocksScreen
from console.app.screens.run_screen import Decided
from console.app.screens.timeline import TimelineScreen
from console.app.state.request import Request
from console.app.widgets.anchor_list import AnchorList
from console.app.widgets.clock_list import ClockList
from console.app.widgets.residuals import Residuals
from console.timeline.alignment.anchors import Anchors, Reason
from console.timeline.clocks import ClockMap, ClockPiece
from tests.console.app.screens.showing import (
    BENCH,
    HOSTILE,
    demo_reading,
    demo_view,
    empty_view,
    played,
    screen_lines,
    screen_text,
    showing,
)
from tests.console.app.some_anchors import anchors_of, piece_of

SIZES = [(80, 24), (140, 45), (250, 70)]
TOLD = 6  # line of the screen that tells of the chosen clock, with three clocks


def with_clock(pieces: Sequence[ClockPiece], anchors: Anchors) -> RunView:
    """The demo with another clock."""
    view = demo_view()
    clocks, known = {anchors.source: ClockMap(tuple(pieces))}, {anchors.source: anchors}
    return replace(view, evidence=replace(view.evidence, clocks=clocks, anchors=known))


def as_read(app: LastackApp) -> None:
    """Let the app know what the demo was read to, so that it can be settled again."""
    app.loader = Loader(Request((str(BENCH),)), app.post_message)
    app.loader.reading = demo_reading()


async def settled(app: LastackApp, pilot: Pilot[int]) -> None:
    """Wait until what was decided shows."""
    await pilot.pause()
    await app.workers.wait_for_complete()
    await pilot.pause()
    await pilot.pause()


@pytest.mark.parametrize("size", SIZES)
@played
async def test_each_clock_is_told_with_its_band_and_its_anchors(size: tuple[int, int]) -> None:
    async with showing("clocks", demo_view(), size) as (app, _pilot):
        rows = [line.split() for line in screen_lines(app)[3:6]]
        assert [row[:3] for row in rows] == [
            ["●", "wire", "capture"],
            ["●", "controller", "firmware"],
            ["●", "broker", "host"],
        ]
        assert "2,043" in rows[1]
        assert {"±5.15", "2,493", "26"} <= set(rows[2])
        assert "controller  equal values, 00:00.310 to 35:23.850" in screen_lines(app)[TOLD]


@played
async def test_anchors_that_count_and_those_that_do_not_differ_in_shape() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        await pilot.press("down")
        await pilot.pause()
        plot = "\n".join(screen_lines(app)[8:30])
        assert "╳" in plot
        assert any("\u2800" < char <= "\u28ff" for char in plot)
        assert "┄" in plot  # the band


@played
async def test_the_list_begins_with_an_anchor_that_was_rejected_and_says_why() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        await pilot.press("down")
        await pilot.pause()
        text = screen_text(app)
        assert "╳ rejected" in text
        assert "n follows controller, -6.54 ms away: in the crowd" in text


@played
async def test_those_left_out_are_shown_alone_on_demand_and_the_cursor_stays() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        await pilot.press("down")
        anchors = app.screen.query_one(AnchorList)
        assert anchors.chosen is not None
        held = anchors.shown.identity(anchors.chosen)
        await pilot.press("x")
        await pilot.pause()
        assert len(anchors.shown) == 1_490
        assert not anchors.shown.kept.any()
        assert anchors.shown.identity(anchors.cursor) == held
        await pilot.press("x")
        assert (len(anchors.shown), anchors.shown.identity(anchors.cursor)) == (3_983, held)


@played
async def test_an_anchor_accepted_by_hand_is_kept_and_what_it_changed_is_told() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        as_read(app)
        await pilot.press("down", "r")
        await settled(app, pilot)
        assert "broker: anchors 2,493 to 2,494" in screen_text(app)
        assert "◆ kept by hand" in screen_text(app)
        assert list(app.kept.decisions) == ["broker"]
        assert len(app.kept.decisions["broker"].accepted) == 1


@played
async def test_an_anchor_rejected_by_hand_comes_back_with_the_same_key() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        as_read(app)
        await pilot.press("tab", "home", "r")
        await settled(app, pilot)
        anchors = app.screen.query_one(AnchorList)
        assert anchors.shown.reason(anchors.cursor) == Reason.REJECTED
        assert "1 decision by hand" in screen_text(app)
        await pilot.press("r")
        await settled(app, pilot)
        assert app.kept.decisions == {}
        assert anchors.shown.reason(anchors.cursor) == Reason.KEPT


@played
async def test_all_decisions_about_a_clock_are_undone_with_one_key() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        as_read(app)
        await pilot.press("down", "r")
        await settled(app, pilot)
        await pilot.press("z")
        await settled(app, pilot)
        assert app.kept.decisions == {}
        assert "broker: anchors 2,494 to 2,493" in screen_text(app)


@played
async def test_another_offset_is_taken_from_those_that_fit_as_well() -> None:
    piece = piece_of("wire", rivals_ns=(3_000_000_000, -1_000_000_000))
    view = with_clock([piece], anchors_of([Reason.KEPT] * 3, source="wire"))
    async with showing("clocks", view) as (app, pilot):
        assert "▲ fits nearly as well: +3 s, -1 s" in screen_text(app)
        as_read(app)
        decided: list[Decided] = []
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(LastackApp, "on_decided", lambda _self, one: decided.append(one))
            await pilot.press("o")
            await pilot.pause()
        (placed,) = decided[0].decisions.of("wire").placed
        assert placed.gap_ns == 3_000_000_000


@played
async def test_nothing_is_decided_before_all_is_read() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        await pilot.press("down", "r")
        await pilot.pause()
        assert app.kept.decisions == {}
        assert "settling" not in screen_text(app)


@played
async def test_enter_goes_to_where_a_clock_begins_or_to_the_event_of_an_anchor() -> None:
    view = demo_view()
    async with showing("clocks", view) as (app, pilot):
        went: list[int] = []
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(TimelineScreen, "go_to", lambda _self, t, _event: went.append(t))
            await pilot.press("enter")
            await pilot.pause()
            await app.action_switch_to("clocks")
            await pilot.press("tab", "home", "down", "enter")
            await pilot.pause()
        controller = view.evidence.clocks["controller"].pieces[0]
        second = np.sort(view.evidence.anchors["controller"].common_ns)[1]
        assert went == [controller.from_ns, second]


@played
async def test_a_click_in_the_plot_chooses_the_anchor_nearest_to_it() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        plot, anchors = app.screen.query_one(Residuals), app.screen.query_one(AnchorList)
        middle = 10 + (plot.size.width - 11) // 2
        await pilot.click(Residuals, offset=(middle, 4))
        await pilot.pause()
        piece = demo_view().evidence.clocks["controller"].pieces[0]
        away = abs(anchors.shown.t_ns[anchors.cursor] - (piece.from_ns + piece.until_ns) / 2)
        assert away < (piece.until_ns - piece.from_ns) / 100
        assert isinstance(app.focused, AnchorList)


@played
async def test_a_clock_without_anchors_shows_what_is_known_of_it_alone() -> None:
    async with showing("clocks", demo_view()) as (app, pilot):
        await pilot.press("home")
        await pilot.pause()
        assert "wire  the axis, 00:00.000 to 35:25.297" in screen_lines(app)[TOLD]
        assert not app.screen.query_one(Residuals).display
        await pilot.press("r", "o", "x", "z", "tab", "enter")
        assert app.kept.decisions == {}


@played
async def test_a_run_in_which_nothing_is_tied_says_so() -> None:
    piece = replace(piece_of("wire"), method="none", band_ns=None, anchors=0, rejected=0)
    async with showing("clocks", with_clock([piece], Anchors.none("wire"))) as (app, _pilot):
        assert "? wire" in screen_text(app)
        assert "its times cannot be set beside those of others" in screen_text(app)


@played
async def test_pieces_of_one_source_are_rows_of_their_own() -> None:
    two = [piece_of("wire"), replace(piece_of("wire"), method="none", band_ns=None)]
    async with showing("clocks", with_clock(two, anchors_of([Reason.KEPT] * 3))) as (app, pilot):
        assert [line.split()[2] for line in screen_lines(app)[3:5]] == ["1/2", "2/2"]
        await pilot.press("end")
        assert app.screen.query_one(ClockList).cursor == 1


@pytest.mark.parametrize("size", SIZES)
@played
async def test_hostile_text_is_drawn_harmlessly(size: tuple[int, int]) -> None:
    piece = piece_of(HOSTILE, rivals_ns=(3,))
    anchors = anchors_of([Reason.KEPT, Reason.OUTLIER], source=HOSTILE, name=HOSTILE)
    async with showing("clocks", with_clock([piece], anchors), size) as (app, _pilot):
        text = screen_text(app)
        assert not set(text) & {"\x1b", "\x00", "\u202e"}
        assert "[red]␛[31mred␀<U+202E>mirror[/x] cap 瓶" in text


@played
async def test_an_empty_run_says_so_and_takes_every_key() -> None:
    async with showing("clocks", empty_view(), (80, 24)) as (app, pilot):
        assert "Nothing was read" in screen_text(app)
        await pilot.press("down", "tab", "enter", "r", "o", "z", "x")
        assert isinstance(app.screen, ClocksScreen)


@played
async def test_a_million_anchors_are_plotted_at_once() -> None:
    n = 1_000_000
    some = anchors_of([Reason.KEPT])
    t_ns = np.arange(n, dtype=np.int64) * 2_000_000
    away = -np.abs(np.random.default_rng(3).normal(0, 1e6, n)).astype(np.int64)
    many = replace(
        some,
        source="wire",
        value=np.zeros(n, np.int32),
        own_row=np.arange(n),
        other_row=np.full(n, -1),
        native_ns=t_ns,
        common_ns=t_ns,
        residual_ns=away,
        side=np.ones(n, np.int8),
        reason=np.where(np.arange(n) % 1000, 0, 3).astype(np.uint8),
        piece=np.zeros(n, np.int32),
    )
    begun = time.perf_counter()
    async with showing("clocks", with_clock([piece_of("wire", until_s=2_000)], many)) as (app, p):
        assert time.perf_counter() - begun < 10  # some times what it takes with a busy core
        await p.press("tab", "end")
        await p.pause()
        assert "1,000,000 of 1,000,000" in screen_text(app)


@played
async def test_ascii_terminals_get_ascii_signs() -> None:
    async with showing("clocks", demo_view(), ascii_only=True) as (app, pilot):
        await pilot.press("down")
        await pilot.pause()
        assert [line for line in screen_lines(app)[2:44] if not line.isascii()] == []

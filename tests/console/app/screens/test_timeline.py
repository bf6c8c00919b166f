"""The timeline screen: every way of finding one's way, by key and by mouse, on the demo."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from textual.pilot import Pilot

from console.app.app import LastackApp
from console.app.screens.timeline import TimelineScreen
from console.app.timeline.ribbon import Ribbon
from console.app.timeline.rows import TimelineRows
from console.app.timeline.said_line import SaidLine
from console.app.widgets.marks_list import MarksList
from console.app.widgets.search_line import SearchLine
from console.app.widgets.side_sheet import SideSheet
from console.timeline.events import EVENT_TABLES
from tests.console.app.screens.showing import demo_view, played, showing

FIRST_BAD_NS = 2_050_852_932_500  # the camera's first poll that was not acknowledged
LAST_GOOD_NS = 2_049_854_273_500  # its last reply before
MINUTE_NS = 60_000_000_000


@asynccontextmanager
async def on_timeline(columns: int, rows: int) -> AsyncIterator[Pilot[int]]:
    """The demo on the timeline."""
    async with showing("timeline", demo_view(), (columns, rows)) as (_, pilot):
        yield pilot


def rows_of(pilot: Pilot[int]) -> TimelineRows:
    return pilot.app.screen.query_one(TimelineRows)


def said(pilot: Pilot[int]) -> str:
    return pilot.app.screen.query_one(SaidLine).said


def standing(pilot: Pilot[int]) -> str:
    return pilot.app.screen.query_one(SaidLine).standing


async def typed(pilot: Pilot[int], text: str) -> None:
    """Type on the line that is open, and press Enter."""
    names = {" ": "space", "=": "equals_sign", "'": "apostrophe", ":": "colon", ".": "full_stop"}
    await pilot.press(*(names.get(char, char) for char in text), "enter")
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


@played
async def test_it_opens_on_the_first_bad_event_of_the_gravest_finding() -> None:
    async with on_timeline(100, 30) as pilot:
        assert rows_of(pilot).place_ns == FIRST_BAD_NS


@pytest.mark.parametrize(
    ("there", "back", "t_ns"),
    [
        ("n", "N", 290_920_340_250),  # the next finding goes on from the beginning: a wrong sum
        ("p", "P", 2_050_852_932_500),  # the next problem: the reply that did not come
        ("s", "S", 2_051_852_892_250),  # the same kind: the next poll that was refused
        ("c", "C", 2_050_852_932_500),  # the same party: the reply that did not come
    ],
)
def test_a_letter_goes_to_the_next_of_a_sort_and_its_capital_back(
    there: str, back: str, t_ns: int
) -> None:
    @played
    async def run() -> None:
        async with on_timeline(100, 30) as pilot:
            before = rows_of(pilot).event
            await pilot.press(there)
            assert rows_of(pilot).place_ns == t_ns
            assert rows_of(pilot).event != before
            await pilot.press(back)
            assert rows_of(pilot).place_ns == FIRST_BAD_NS

    run()


@played
async def test_b_leads_back_to_where_a_jump_began() -> None:
    async with on_timeline(100, 30) as pilot:
        await pilot.press("n")
        assert rows_of(pilot).place_ns != FIRST_BAD_NS
        await pilot.press("b")
        assert rows_of(pilot).place_ns == FIRST_BAD_NS


@played
async def test_a_search_goes_to_the_event_that_says_it_and_counts() -> None:
    async with on_timeline(100, 30) as pilot:
        await pilot.press("slash")
        await typed(pilot, "sequence 2047")
        assert rows_of(pilot).place_ns == LAST_GOOD_NS
        assert pilot.app.screen.query_one(SearchLine).is_open


@played
async def test_a_filter_shows_its_events_alone_and_says_so_until_it_is_cleared() -> None:
    async with on_timeline(100, 30) as pilot:
        shown = rows_of(pilot).shown
        assert shown is not None
        every = len(shown)
        await pilot.press("f")
        await typed(pilot, "party = 'camera'")
        view, filtered = demo_view(), rows_of(pilot).shown
        assert filtered is not None
        assert {int(view.events.party[filtered.event(k)]) for k in range(len(filtered))} == {1}
        await pilot.press("down")
        assert said(pilot) == "filter: party = 'camera'"
        await pilot.press("f", *["backspace"] * 16, "enter")
        await pilot.pause()
        cleared = rows_of(pilot).shown
        assert cleared is not None
        assert len(cleared) == every


@played
async def test_a_time_that_is_typed_is_gone_to() -> None:
    async with on_timeline(100, 30) as pilot:
        await pilot.press("g")
        await typed(pilot, "20:00")
        assert abs(rows_of(pilot).place_ns - 20 * MINUTE_NS) < 1_000_000_000


@played
async def test_a_mark_tells_how_far_the_place_is_and_within_what() -> None:
    async with on_timeline(120, 30) as pilot:
        await pilot.press("m")
        await typed(pilot, "first bad")
        assert pilot.app.screen.query_one(Ribbon).marks == (FIRST_BAD_NS,)
        await pilot.press("s")
        # One clock, sampled every 250 ns: no better than that.
        assert standing(pilot) == "since mark first bad: 999.95975 ms ± 0.00025 ms"
        await pilot.press("apostrophe")
        assert rows_of(pilot).place_ns == FIRST_BAD_NS


@played
async def test_the_list_of_marks_goes_to_one_and_removes_it() -> None:
    async with on_timeline(120, 30) as pilot:
        await pilot.press("m")
        await typed(pilot, "here")
        await pilot.press("home", "M", "enter")
        await pilot.pause()
        assert rows_of(pilot).place_ns == FIRST_BAD_NS
        await pilot.press("M", "delete")
        await pilot.pause()
        assert pilot.app.screen.query_one(Ribbon).marks == ()
        assert not pilot.app.screen.query_one(MarksList).is_open


@played
async def test_enter_and_escape_go_through_three_depths_at_one_place() -> None:
    async with on_timeline(100, 30) as pilot:
        depths = [rows_of(pilot).depth]
        for key in ("enter", "escape", "escape", "enter"):
            await pilot.press(key)
            depths.append(rows_of(pilot).depth)
        assert depths == ["events", "bits", "events", "minutes", "events"]
        assert rows_of(pilot).place_ns == FIRST_BAD_NS


@played
async def test_the_sheet_explains_the_event_the_user_stands_on() -> None:
    async with on_timeline(140, 30) as pilot:
        await pilot.press("p", "p")
        await pilot.pause(0.2)
        sheet, k = pilot.app.screen.query_one(SideSheet).sheet, rows_of(pilot).event
        assert sheet is not None
        assert k is not None
        assert EVENT_TABLES[int(demo_view().events.table[k])] == "prints"
        assert "no ack" in pilot.app.screen.query_one(SideSheet).as_text()


@played
async def test_space_opens_the_sheet_over_half_of_a_narrow_screen_and_closes_it() -> None:
    async with on_timeline(80, 24) as pilot:
        sheet = pilot.app.screen.query_one(SideSheet)
        widths = [sheet.display]
        await pilot.press("space")
        widths.append(sheet.display)
        assert sheet.size.width >= 36
        await pilot.press("space")
        widths.append(sheet.display)
        assert widths == [False, True, False]


@played
async def test_columns_are_hidden_moved_and_kept() -> None:
    async with on_timeline(100, 30) as pilot:
        app = pilot.app
        assert isinstance(app, LastackApp)
        await pilot.press("right", "greater_than_sign")
        assert app.kept.columns == ["controller", "hopper", "camera", "broker"]
        await pilot.press("h")
        assert app.kept.hidden == ["camera"]
        assert [demo_view().parties.every[k].name for k in rows_of(pilot).parties] == [
            "controller",
            "hopper",
            "broker",
        ]
        await pilot.press("H")
        assert app.kept.hidden == []


@played
async def test_one_key_writes_times_since_the_start_by_the_clock_and_since_the_mark() -> None:
    async with on_timeline(100, 30) as pilot:
        await pilot.press("m", "enter")
        clocks = [rows_of(pilot).clock]
        for _ in range(3):
            await pilot.press("t")
            clocks.append(rows_of(pilot).clock)
        assert clocks == ["start", "wall", "mark", "start"]


@played
async def test_a_click_on_the_ribbon_goes_there() -> None:
    async with on_timeline(100, 30) as pilot:
        await pilot.click(Ribbon, offset=(15 + 42, 1))  # half of the 84 columns behind the names
        half = (demo_view().start_ns + demo_view().end_ns) // 2
        assert abs(rows_of(pilot).place_ns - half) < MINUTE_NS


@played
async def test_the_help_opens_and_closes_on_one_key() -> None:
    async with on_timeline(100, 30) as pilot:
        opened = []
        for _ in range(2):
            await pilot.press("question_mark")
            await pilot.pause()
            opened.append(bool(pilot.app.screen.query("HelpPanel")))
        assert opened == [True, False]


@played
async def test_what_is_not_there_is_said_and_nothing_moves() -> None:
    async with on_timeline(100, 30) as pilot:
        await pilot.press("apostrophe")
        assert said(pilot) == "no mark is set: m sets one"
        assert rows_of(pilot).place_ns == FIRST_BAD_NS


@played
async def test_the_place_is_kept_when_the_run_is_shown_anew() -> None:
    async with on_timeline(100, 30) as pilot:
        await pilot.press("n")
        place = rows_of(pilot).place_ns
        screen = pilot.app.screen
        assert isinstance(screen, TimelineScreen)
        screen.show(demo_view())
        await pilot.pause()
        assert rows_of(pilot).place_ns == place

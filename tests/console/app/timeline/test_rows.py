"""The timeline, played on."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any

import numpy as np
import pytest
from rich.cells import cell_len
from textual import events as tui
from textual import on
from textual.app import App, ComposeResult
from textual.pilot import Pilot

from console.app.run_view import RunView
from console.app.signs import ASCII, UNICODE, Signs
from console.app.themes import variables
from console.app.timeline.rows import TimelineRows
from console.app.timeline.standing import DEPTHS, MOST_CELLS
from console.app.timeline.viewport import BIT, EVENT
from tests.console.app.screens.showing import played
from tests.console.app.timeline.views import PRINTED, demo_with_levels, made_view
from tests.console.timeline.small_runs import HOSTILE

S = 10**9


class Shell(App[None]):
    """The timeline alone."""

    def __init__(self, signs: Signs) -> None:
        super().__init__()
        self.rows = TimelineRows(signs=signs)
        self.moves: list[TimelineRows.Moved] = []

    def compose(self) -> ComposeResult:
        yield self.rows

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=True)

    @on(TimelineRows.Moved)
    def note(self, message: TimelineRows.Moved) -> None:
        self.moves.append(message)


@asynccontextmanager
async def timeline(
    view: RunView,
    size: tuple[int, int] = (120, 40),
    *,
    parties: Sequence[int] | None = None,
    signs: Signs = UNICODE,
    keep: np.ndarray[tuple[int], np.dtype[np.bool_]] | None = None,
) -> AsyncIterator[tuple[TimelineRows, Pilot[None]]]:
    app = Shell(signs)
    async with app.run_test(size=size) as pilot:
        app.rows.show(view, range(len(view.parties.every)) if parties is None else parties, keep)
        app.rows.focus()
        await pilot.pause()
        yield app.rows, pilot


async def resized(rows: TimelineRows, pilot: Pilot[None], size: tuple[int, int]) -> None:
    """Another size of the terminal, once the rows have it: on a busy machine some pauses later."""
    await pilot.resize_terminal(*size)
    for _ in range(100):
        if rows.size == size:
            return
        await pilot.pause(0.01)
    raise TimeoutError(f"{rows.size} instead of {size}")


def lines(rows: TimelineRows) -> list[str]:
    return [rows.render_line(y).text for y in range(rows.size.height)]


def row_of_cursor(rows: TimelineRows) -> int:
    (y,) = [y for y, line in enumerate(lines(rows)) if line.startswith(rows.signs.cursor)]
    return y


def finding_event(view: RunView) -> tuple[int, int]:
    finding = view.gravest()
    assert finding is not None
    return finding.t_ns, view.event_of(finding)


def board(count: int = 0, text: str = "said", gap_ns: int = S, **more: Any) -> dict[str, Any]:
    return {"t_ns": count * gap_ns, "source": "board", "text": text} | PRINTED | more


def many_parties(count: int) -> RunView:
    return made_view(
        {
            "prints": [
                board(k, f"line {k}", source=f"board {k % count:02}") for k in range(3 * count)
            ]
        }
    )


RUNS: dict[str, Any] = {
    "no events": {},
    "one event": {"prints": [board()]},
    "one moment": {"prints": [board(text=f"{k}") for k in range(200)]},
    "30 ns": {"prints": [board(k, gap_ns=10) for k in range(4)]},
    "years": {"prints": [board(k, gap_ns=10**16) for k in range(9)]},
    "before the start": {"prints": [board(k - 50) for k in range(100)]},
    "hostile": {
        "prints": [
            board(k, text.encode("utf-8", "backslashreplace").decode() * 9)
            for k, text in enumerate((*HOSTILE, "瓶" * 99, "x" * (1 << 20)))
        ]
    },
}


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
@pytest.mark.parametrize("name", RUNS)
@played
async def test_every_line_is_as_wide_as_the_screen(name: str, signs: Signs) -> None:
    async with timeline(made_view(RUNS[name]), signs=signs) as (rows, pilot):
        for size in ((80, 24), (250, 70), (31, 9), (20, 5)):
            await resized(rows, pilot, size)
            for depth in DEPTHS:
                rows.depth = depth
                for go in (rows.action_move, rows.action_end):
                    go(1)
                    assert {cell_len(line) for line in lines(rows)} == {size[0]}
                    assert all(line.isprintable() for line in lines(rows))
                    assert signs is UNICODE or all(line.isascii() for line in lines(rows))


@pytest.mark.parametrize("size", [(80, 24), (250, 70)])
@played
async def test_forty_parties_are_all_reached_from_column_to_column(size: tuple[int, int]) -> None:
    async with timeline(many_parties(40), size) as (rows, pilot):
        seen = []
        for _ in range(40):
            assert {cell_len(line) for line in lines(rows)} == {size[0]}
            assert rows.party is not None
            name = f"board {rows.party:02}"
            assert name in lines(rows)[0]
            seen.append(rows.party)
            rows.action_column(1)
        assert seen == list(range(40))
        await pilot.press("right", "left")
        assert rows.party == 38


@played
async def test_every_event_is_reached_by_going_down_from_the_top() -> None:
    async with timeline(many_parties(7)) as (rows, pilot):
        await pilot.press("home")
        reached = [rows.event]
        for _ in range(len(many_parties(7).events) - 1):
            await pilot.press("down")
            reached.append(rows.event)
            assert lines(rows)[row_of_cursor(rows)].count("line ") == 1
        assert reached == list(range(21))


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize("steps", [1, 25])
@played
async def test_going_down_and_up_again_comes_back(depth: str, steps: int) -> None:
    view = demo_with_levels()
    async with timeline(view) as (rows, pilot):
        rows.go_to(view.start_ns + (view.end_ns - view.start_ns) // 4)
        rows.depth = next(d for d in DEPTHS if d == depth)
        await pilot.press("down", "up")
        at = rows.event, rows.place_ns
        await pilot.press(*["down"] * steps)
        assert (rows.event, rows.place_ns) != at
        await pilot.press(*["up"] * steps)
        assert (rows.event, rows.place_ns) == at


@pytest.mark.parametrize("size", [(80, 24), (140, 45), (250, 70)])
@pytest.mark.parametrize("y", [3, 7])
@played
async def test_the_chosen_event_keeps_its_row_from_depth_to_depth(
    size: tuple[int, int], y: int
) -> None:
    view = demo_with_levels()
    async with timeline(view, size) as (rows, pilot):
        rows.go_to(*finding_event(view))
        while row_of_cursor(rows) > y:
            await pilot.press("up")
        row, event = row_of_cursor(rows), rows.event
        for key in ("enter", "escape", "escape", "enter", "enter"):
            await pilot.press(key)
            assert rows.event == event
            assert row_of_cursor(rows) == row or rows.depth == "minutes"
        assert rows.depth == "bits"


@played
async def test_the_story_is_walked_to_the_last_good_bits_in_five_keys() -> None:
    view = demo_with_levels()
    async with timeline(view, (80, 24)) as (rows, pilot):
        rows.go_to(*finding_event(view))
        assert "address not " in lines(rows)[row_of_cursor(rows)]
        await pilot.press("up", "up", "up", "enter")
        text = "\n".join(lines(rows))
        assert "2Eh read" in text
        assert "drives SDA" in text


@played
async def test_paging_through_bits_leaves_none_out() -> None:
    view = demo_with_levels()
    async with timeline(view, (80, 24)) as (rows, pilot):
        rows.go_to(*finding_event(view))
        await pilot.press("up", "up", "up", "enter")
        event, seen = rows.event, []
        count = len(rows.standing.drawing.bit_rows(event or 0, 80)) if rows.standing.drawing else 0
        while rows.event == event:
            seen += [line.part for line in rows.standing.lines() if line.kind == BIT]
            await pilot.press("pagedown")
        assert seen == list(range(count))


@played
async def test_an_empty_bucket_leads_to_the_event_nearest_to_it() -> None:
    view = made_view({"prints": [board(0), board(1), board(600)]})
    async with timeline(view) as (rows, pilot):
        rows.bucket_ns = 60 * S
        rows.depth = "minutes"
        await pilot.press("home", *["down"] * 8)
        assert "silence" in lines(rows)[row_of_cursor(rows)]
        await pilot.press("enter")
        assert rows.event == 2


@played
async def test_a_bucket_stands_for_its_worst_event() -> None:
    said = [
        board(k, level="error" if k == 70 else "warning" if k == 65 else "info") for k in range(200)
    ]
    async with timeline(made_view({"prints": said})) as (rows, pilot):
        rows.bucket_ns = 60 * S
        rows.depth = "minutes"
        await pilot.press("home", "down")
        assert rows.event == 70


@played
async def test_other_widths_of_buckets_keep_the_place_and_stay_within_bounds() -> None:
    view = demo_with_levels()
    async with timeline(view) as (rows, pilot):
        rows.go_to(*finding_event(view))
        rows.depth = "minutes"
        event = rows.event
        for key in ("plus", "minus"):
            for _ in range(30):
                await pilot.press(key)
                buckets, _ = view.buckets(rows.bucket_ns)
                assert len(buckets) * len(view.parties.every) <= MOST_CELLS + 8
                assert rows.event == event
        assert len(view._buckets) <= 3


@played
async def test_a_filter_keeps_the_chosen_event_where_it_still_shows() -> None:
    view = made_view({"prints": [board(text=f"{k}") for k in range(50)]})  # all at one moment
    keep = np.arange(50) % 2 == 0
    async with timeline(view) as (rows, pilot):
        await pilot.press(*["down"] * 30)
        assert rows.event == 30
        rows.show(view, [0], keep)
        assert rows.event == 30
        rows.show(view, [0], ~keep)
        assert rows.event == 31


@played
async def test_nothing_passes_a_filter_and_the_screen_is_empty() -> None:
    view = made_view({"prints": [board(k) for k in range(5)]})
    async with timeline(view, keep=np.zeros(5, np.bool_)) as (rows, pilot):
        await pilot.press("down", "end", "pageup", "enter", "escape", "escape", "down")
        assert rows.event is None
        assert not any("said" in line for line in lines(rows))


@played
async def test_a_hidden_partys_events_are_hidden() -> None:
    view = many_parties(5)
    async with timeline(view, parties=[3, 1]) as (rows, _pilot):
        text = "\n".join(lines(rows))
        assert lines(rows)[0].split()[1:] == ["board", "03", "board", "01"]
        assert [f"line {k} " in text for k in range(5)] == [False, True, False, True, False]


@played
async def test_going_to_an_event_shows_its_column() -> None:
    view = many_parties(40)
    async with timeline(view, (80, 24)) as (rows, _pilot):
        rows.go_to(int(view.events.t_ns[33]), 33)
        assert "line 33" in lines(rows)[row_of_cursor(rows)]
        assert "board 33" in lines(rows)[0]


@played
async def test_a_click_chooses_and_another_looks_closer() -> None:
    view = demo_with_levels()
    async with timeline(view) as (rows, pilot):
        rows.depth = "minutes"
        await pilot.pause()
        for depth in ("minutes", "events"):
            y = row_of_cursor(rows) + 2
            await pilot.click(TimelineRows, offset=(20, y))
            assert (rows.depth, row_of_cursor(rows)) == (depth, y)
            await pilot.click(TimelineRows, offset=(20, y))
        assert str(rows.depth) == "bits"


@played
async def test_the_wheel_moves_by_rows() -> None:
    view = many_parties(7)
    async with timeline(view) as (rows, pilot):
        await pilot.press("home")
        where = (rows, 20, 5, 0, 1, 0, False, False, False)
        rows.on_mouse_scroll_down(tui.MouseScrollDown(*where))
        rows.on_mouse_scroll_down(tui.MouseScrollDown(*where))
        rows.on_mouse_scroll_up(tui.MouseScrollUp(*where))
        assert rows.event == 3


@played
async def test_moves_are_told_with_the_time_on_the_screen() -> None:
    view = many_parties(7)
    async with timeline(view) as (rows, pilot):
        app = rows.app
        assert isinstance(app, Shell)
        await pilot.press("home", "down")
        await pilot.pause()
        last = app.moves[-1]
        assert (last.event, last.t_ns, last.depth) == (1, S, "events")
        shown = [line.at for line in rows.standing.lines() if line.kind == EVENT]
        assert rows.visible_ns() == (shown[0] * S, shown[-1] * S)


@played
async def test_the_first_place_has_a_third_of_the_screen_above_it() -> None:
    view = demo_with_levels()
    app = Shell(UNICODE)
    app.rows.show(view, range(4), place_ns=finding_event(view)[0])
    async with app.run_test(size=(80, 40)):
        assert row_of_cursor(app.rows) == 1 + 39 // 3


@played
async def test_times_are_written_by_the_clock_that_is_chosen() -> None:
    view = made_view({"prints": [board(k) for k in range(40)]})
    async with timeline(view) as (rows, pilot):
        await pilot.press("home")
        assert lines(rows)[1].split()[1] == "00:00.0000"
        rows.mark_ns = 2 * S
        rows.clock = "mark"
        assert lines(rows)[1].split()[1] == "-00:02.0000"
        assert lines(rows)[0].split()[:2] == ["since", "mark"]

"""The trust screen, played on."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import polars as pl
import pytest

from console.app.run_view import RunView
from console.app.screens.timeline import TimelineScreen
from console.app.widgets.trust_list import TrustList
from console.pipeline.evidence import SourceReport
from console.trust.sheet import TrustRow, trust_frame
from tests.console.app.screens.showing import (
    HOSTILE,
    demo_view,
    empty_view,
    played,
    screen_lines,
    screen_text,
    showing,
)

SIZES = [(80, 24), (140, 45), (250, 70)]


@cache
def hostile_view() -> RunView:
    """The demo with names and words that try the terminal."""
    view = demo_view()
    source = replace(view.evidence.sources[0], name=HOSTILE, assumed=[HOSTILE], files=[HOSTILE])
    row = TrustRow(HOSTILE, 0, 10**9, "lost", "doubtful", HOSTILE * 300, 1.0, 2.0, HOSTILE)
    return _with(view, [source], trust_frame([row]))


def _with(view: RunView, sources: Sequence[SourceReport], trust: pl.DataFrame) -> RunView:
    tables = {**view.evidence.tables, "trust": trust}
    evidence = replace(view.evidence, sources=sources, tables=tables)
    return replace(view, evidence=evidence)


@pytest.mark.parametrize("size", SIZES)
@played
async def test_each_source_is_told_with_its_coverage(size: tuple[int, int]) -> None:
    async with showing("trust", demo_view(), size) as (app, _pilot):
        lines = screen_lines(app)
        assert lines[3].split()[:5] == ["wire", "capture", "1,031,731", "edges", "00:00.0"]
        assert lines[4].startswith(" " + "━" * (size[0] - 4))  # beside a scrollbar or not
        assert "can prove     the levels of its lines" in screen_text(app)


@played
async def test_the_bar_shows_what_is_in_doubt_where_it_is() -> None:
    async with showing("trust", demo_view()) as (app, _pilot):
        lines = screen_lines(app)
        broker = next(k for k, line in enumerate(lines) if line.startswith(" broker"))
        at = [column for column, sign in enumerate(lines[broker + 1]) if sign == "▲"]
        # 06:17, 25:07 and 30:17 of 35:25, on 138 columns.
        assert at == [1 + int(138 * s / 2_125.3) for s in (378, 1_508, 1_818)]


@played
async def test_enter_goes_to_where_the_span_begins() -> None:
    view = demo_view()
    async with showing("trust", view) as (app, pilot):
        went: list[int] = []
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(TimelineScreen, "go_to", lambda _self, t, _event: went.append(t))
            await pilot.press("right_square_bracket", "right_square_bracket", "enter")
            await pilot.pause()
        lost = view.evidence.tables["trust"].filter(pl.col("kind") == "lost")
        assert went == [lost["from_ns"][1]]
        assert isinstance(app.screen, TimelineScreen)


@played
async def test_what_follows_is_said_of_the_row_under_the_cursor() -> None:
    async with showing("trust", demo_view()) as (app, pilot):
        await pilot.press("right_square_bracket")
        await pilot.pause()
        text = screen_text(app)
        assert "lost: 2 messages not in it, by capline/cam/blocks n" in text
        assert "Messages sent here are not in the recording" in text
        await pilot.press("right_square_bracket", "left_square_bracket", "left_square_bracket")
        await pilot.pause()
        assert "lost: 2 messages not in it" in screen_text(app)  # there is none before it


@played
async def test_the_cursor_stands_on_sources_and_rows_alone() -> None:
    async with showing("trust", demo_view()) as (app, pilot):
        found = app.screen.query_one(TrustList)
        kinds = []
        for _ in range(12):
            assert found.line is not None
            kinds.append(found.line.kind)
            await pilot.press("down")
        assert kinds == ["source", "row", "row"] * 2 + ["source"] + ["row"] * 5
        await pilot.press("home")
        assert found.cursor == 0
        await pilot.click(TrustList, offset=(10, 3))  # a remark
        assert found.cursor == 0
        await pilot.click(TrustList, offset=(10, 6))
        assert found.cursor == 5


@pytest.mark.parametrize("size", SIZES)
@played
async def test_hostile_text_is_drawn_harmlessly(size: tuple[int, int]) -> None:
    async with showing("trust", hostile_view(), size) as (app, pilot):
        await pilot.press("down")
        await pilot.pause()
        text = screen_text(app)
        assert not set(text) & {"\x1b", "\x00", "\u202e"}
        assert "lost: [red]␛[31mred␀<U+202E>mirror[/x] cap 瓶" in text


@played
async def test_an_empty_run_says_so_and_takes_every_key() -> None:
    async with showing("trust", empty_view(), (80, 24)) as (app, pilot):
        assert "Nothing was read" in screen_text(app)
        await pilot.press("down", "end", "enter", "right_square_bracket", "pageup")
        assert "Nothing was read" in screen_text(app)


@played
async def test_thousands_of_rows_are_drawn_quickly() -> None:
    view = demo_view()
    rows = [
        TrustRow("wire", k * 10**8, k * 10**8 + 10**6, "not-observed", "gap", f"gap {k}")
        for k in range(20_000)
    ]
    sources = list(view.evidence.sources)[:1]
    async with showing("trust", _with(view, sources, trust_frame(rows))) as (app, pilot):
        await pilot.press("end")
        await pilot.pause()
        assert "gap 19999" in screen_text(app)
        found = app.screen.query_one(TrustList)
        begun = time.perf_counter()
        for row in range(10_000, 10_050):
            found.pieces(row, 140)
        assert time.perf_counter() - begun < 1  # a screen of rows


@played
async def test_ascii_terminals_get_ascii_signs() -> None:
    async with showing("trust", demo_view(), ascii_only=True) as (app, _pilot):
        lines = screen_lines(app)[2:30]
        assert all(line.isascii() for line in lines)
        assert lines[2].strip() == "=" * 138

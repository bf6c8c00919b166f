"""The side sheet as a widget: filled, scrolled, resized, selected and copied."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace

import pytest
from textual.app import App, ComposeResult
from textual.geometry import Offset
from textual.selection import Selection

from console.app.themes import THEMES, variables
from console.app.widgets.side_sheet import SideSheet
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.timeline.events import events_of
from console.timeline.explained import explained
from console.timeline.parties import parties_of
from console.timeline.sheet.lines import Change, CheckCode, Field, RawBytes, Sheet
from tests.console.app.widgets.sheets import HOSTILE, PLAIN, sheet

SHORT = sheet(
    Field("sync", "A5 5A", begin=0, end=2, content=b"\xa5\x5a", change=Change.SAME),
    Field("x", "158", unit="px", begin=2, end=4, content=b"\x9e\x00", change=Change.DIFFERS),
    CheckCode("sum", "sum16", "0106", "0107", "bytes 2 to 3", 4, 6),
    RawBytes(b"\xa5\x5a\x9e\x00", (Change.SAME,) * 2 + (Change.DIFFERS,) * 2, 4),
)
LONG = sheet(*(Field(f"field {k}", str(k)) for k in range(200)))


class OneSheet(App[None]):
    """A side sheet and nothing else."""

    CSS = "SideSheet { width: 40; }"

    def __init__(self, ascii_only: bool = False, theme: str = "") -> None:
        super().__init__()
        self.ascii_only = ascii_only
        for each in THEMES:
            self.register_theme(each)
        self.theme = theme or THEMES[0].name

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return variables(dark=self.current_theme.dark)

    def compose(self) -> ComposeResult:
        yield SideSheet(ascii_only=self.ascii_only)

    @property
    def side(self) -> SideSheet:
        return self.query_one(SideSheet)

    def lines(self) -> list[str]:
        """What is on the screen."""
        strips = self.screen._compositor.render_strips()
        return ["".join(strip.text).rstrip() for strip in strips]


def shown(
    given: Sheet | None,
    then: Callable[[OneSheet], Awaitable[None]] | None = None,
    *,
    size: tuple[int, int] = (80, 24),
    app: OneSheet | None = None,
) -> list[str]:
    """The lines on the screen once a sheet was given."""
    made = app or OneSheet()

    async def run() -> list[str]:
        async with made.run_test(size=size) as pilot:
            made.side.sheet = given
            await pilot.pause()
            if then is not None:
                await then(made)
                await pilot.pause()
            return made.lines()

    return asyncio.run(run())


def test_a_sheet_is_drawn_from_its_top() -> None:
    assert shown(SHORT)[:10] == [
        "   blocks from camera",
        "   34:10.852933",
        "   wire",
        "   " + "─" * 36,
        "   sync   A5 5A                 0",
        " * x      158 px                2 9E 00",
        " ! sum    0106 wrong            4",
        "          computed 0107",
        "          sum16 over bytes 2 to 3",
        " *  0 A5 5A*9E*00             .Z..",
    ]


def test_without_an_event_it_says_that_nothing_is_selected() -> None:
    assert shown(None)[0].strip() == "nothing selected"


def test_another_sheet_begins_at_its_top() -> None:
    async def scroll_and_change(app: OneSheet) -> None:
        app.side.scroll_to(y=100, animate=False)
        app.side.sheet = replace(LONG, title="another")

    assert shown(LONG, scroll_and_change)[0].strip() == "another"


def test_the_keys_scroll_a_sheet_that_has_the_focus() -> None:
    app = OneSheet()

    async def run() -> list[str]:
        async with app.run_test(size=(80, 24)) as pilot:
            app.side.sheet = LONG
            app.side.focus()
            await pilot.pause()
            await pilot.press("end")
            await pilot.wait_for_animation()
            await pilot.pause()
            return app.lines()

    assert asyncio.run(run())[-1].strip() == "field 199 199"


def test_it_is_laid_out_anew_for_another_width() -> None:
    async def widen(app: OneSheet) -> None:
        app.side.styles.width = 70

    assert "   " + "─" * 66 in shown(SHORT, widen)


def test_taking_the_event_away_empties_it() -> None:
    async def clear(app: OneSheet) -> None:
        app.side.sheet = None

    assert "blocks from camera" not in "\n".join(shown(SHORT, clear))


@pytest.mark.parametrize("text", HOSTILE)
def test_text_from_outside_can_do_nothing(text: str) -> None:
    hostile = replace(sheet(Field(text, text, change=Change.DIFFERS, was=text)), title=text)
    lines = "\n".join(shown(hostile))
    assert not any(ord(char) < 32 and char != "\n" for char in lines)
    assert "\u202e" not in lines


def test_in_ascii_nothing_else_is_drawn() -> None:
    assert "\n".join(shown(SHORT, app=OneSheet(ascii_only=True))).isascii()


@pytest.mark.parametrize("theme", ["cellar", "orchard", "ansi-dark"])
def test_every_style_has_a_look_in_every_theme(theme: str) -> None:
    looks: list[object] = []

    async def collect(app: OneSheet) -> None:
        looks.extend(app.side._style(name) for name in ("value", "lit", "bad", "dim"))

    shown(SHORT, collect, app=OneSheet(theme=theme))
    assert len(set(map(str, looks))) == 4


def test_the_sheet_as_text_is_wider_and_ends_with_a_line_feed() -> None:
    texts: list[str] = []

    async def copy(app: OneSheet) -> None:
        texts.append(app.side.as_text())

    shown(SHORT, copy)
    assert "  " + "─" * 74 + "\n" in texts[0]
    assert texts[0].endswith("\n")


def test_nothing_selected_is_no_text() -> None:
    assert SideSheet().as_text() == ""


def test_selected_rows_are_given_as_text() -> None:
    taken: list[object] = []

    async def select(app: OneSheet) -> None:
        taken.append(app.side.get_selection(Selection(Offset(2, 0), Offset(8, 0))))
        app.screen.selections = {app.side: Selection(Offset(2, 0), Offset(8, 1))}

    shown(SHORT, select)
    assert taken == [("blocks", "\n")]


def test_a_megabyte_of_text_changes_nothing_about_the_widget() -> None:
    assert shown(replace(PLAIN, title="x" * 2000))[0] == "   " + "x" * 36


def test_the_demos_wrong_sum_reads_like_a_data_sheet() -> None:
    inputs = settled(["captures_demo/cap_line/bench.toml"], Overrides())
    tables = gathered(inputs).tables
    inputs.close()
    parties = parties_of(tables, inputs.bench)
    events = events_of(tables, parties)
    k = events.at(290_920_340_250)
    lines = shown(explained(tables, inputs.file, parties, events, k), size=(80, 40))
    assert lines[:27] == [
        " ! blocks from camera",
        "   04:50.920340",
        "   wire, capture clock: the common axis",
        " ! wrong check code",
        "   beside the last good one, 1 s before",
        "   * 7 differ  + 1 steps",
        "   ────────────────────────────────────",
        "   sync     A5 5A               0",
        "   kind     49                  2 31",
        " * length   9  was 2            3 09",
        " + sequence 291                 4 23 01",
        " * blocks   1 item  was 0 items",
        "   blocks.0",
        " *  colour  green  new          6 01",
        " *  x       205 px  new         7 CD 00",
        " *  y       97 px  new          9 61 00",
        " *  width   7 px  new          11 07",
        " *  height  39 px  new         12 27",
        " ! sum      01A1 wrong         13",
        "            computed 0181",
        "            sum16 over bytes 4 to 12",
        "   bytes, 15 ──────────────────────────",
        " *  0 A5 5A 31*09 23 01*01*CD .Z1.#...",
        " *  8*00*61*00*07*27*01*A1    .a..'..",
        "   on the wire ────────────────────────",
        "   read 2E  15 bytes",
        "   took     1.46 ms",
    ]

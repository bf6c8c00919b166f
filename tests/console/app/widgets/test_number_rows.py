from __future__ import annotations

import asyncio

import pytest

from console.app.signs import signs_for
from console.app.widgets.number_rows import NumberRow, NumberRows, number_rows
from console.timeline.numbers.number_series import NumericField
from tests.console.app.widgets.plots import OneWidget
from tests.console.timeline.number_series_made import field_of

SPEED, HEAP = field_of("speed", subject="winder/state"), field_of("heap", subject="winder/state")
LEVEL = field_of("level", subject="hopper/level", unit="cm")


def names(rows: list[NumberRow]) -> list[str]:
    return [row.field.name if row.field else f"-- {row.subject}" for row in rows]


def test_numbers_stand_below_whose_they_are() -> None:
    assert names(number_rows([SPEED, LEVEL, HEAP], "")) == [
        "-- winder/state",
        "speed",
        "heap",
        "-- hopper/level",
        "level",
    ]


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("lev", ["-- hopper/level", "level"]),
        ("WINDER heap", ["-- winder/state", "heap"]),
        ("hopper cm", ["-- hopper/level", "level"]),
        ("hopper heap", []),
    ],
)
def test_every_word_of_a_query_must_stand_somewhere(query: str, found: list[str]) -> None:
    assert names(number_rows([SPEED, LEVEL, HEAP], query)) == found


def test_numbers_that_never_change_come_last() -> None:
    still = NumericField("messages", "winder", "s", "fields.a", "a", "", 9, False, ())
    moving = NumericField("messages", "winder", "s", "fields.b", "b", "", 9, True, ())
    assert names(number_rows([still, moving], ""))[1:] == ["b", "a"]


@pytest.mark.parametrize("ascii_only", [False, True])
def test_rows_show_number_unit_and_count_and_hostile_names_as_text(ascii_only: bool) -> None:
    rude = field_of("a\x1b[2J[/x]\u202eb", subject="t\x07opic", unit="計")
    widget = NumberRows(signs_for(ascii_only=ascii_only), ascii_only=ascii_only)
    app = OneWidget(widget)

    async def run() -> list[str]:
        async with app.run_test(size=(60, 8)) as pilot:
            widget.fill(number_rows([LEVEL, rude], ""), (LEVEL,))
            await pilot.pause()
            return app.lines()

    lines = asyncio.run(run())
    assert lines[2].split() == ["1", "level", "cm", "2"]
    assert "[/x]" in lines[4]
    assert not {"\x1b", "\x07", "\u202e"} & set("".join(lines))
    assert not ascii_only or "".join(lines).isascii()

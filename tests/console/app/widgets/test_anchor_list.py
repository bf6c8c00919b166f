"""The list of anchors."""

from __future__ import annotations

import pytest

from console.app.anchors_shown import AnchorsShown
from console.app.signs import ASCII, UNICODE, Signs
from console.app.widgets.anchor_list import AnchorList
from console.timeline.alignment.anchors import Anchors, Reason
from tests.console.app.screens.showing import demo_view, played, showing
from tests.console.app.some_anchors import anchors_of

KEPT, ASTRAY, OUTLIER = Reason.KEPT, Reason.ASTRAY, Reason.OUTLIER


def shown(anchors: Anchors) -> AnchorsShown:
    return AnchorsShown.of(anchors, None, only_left_out=False)


@pytest.mark.parametrize(
    ("by_time", "expected"),
    [
        ([KEPT, ASTRAY, OUTLIER], 2),
        ([KEPT, ASTRAY, KEPT], 1),
        ([KEPT, KEPT, KEPT], 0),
        ([], 0),
    ],
)
@played
async def test_the_cursor_begins_with_what_is_looked_for(
    by_time: list[Reason], expected: int
) -> None:
    async with showing("clocks", demo_view()) as (app, _pilot):
        found = app.screen.query_one(AnchorList)
        found.fill(shown(anchors_of(by_time[::-1], source="other")), 0)
        assert found.cursor == expected


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
@played
async def test_reasons_are_told_by_sign_and_word(signs: Signs) -> None:
    async with showing("clocks", demo_view(), ascii_only=signs is ASCII) as (app, _pilot):
        found = app.screen.query_one(AnchorList)
        found.fill(shown(anchors_of([Reason.REJECTED, Reason.ACCEPTED, OUTLIER, KEPT])), 0)
        told = ["".join(text for text, _ in found.pieces(k, 80)).split("00:")[0] for k in range(4)]
        assert [text.split(maxsplit=1) for text in told] == [
            [signs.node, "kept             "],
            [signs.lost, "rejected         "],
            [signs.mark, "kept by hand     "],
            [signs.lost, "rejected by hand "],
        ]


@played
async def test_a_row_says_what_was_equal_to_what_and_how_far_off() -> None:
    async with showing("clocks", demo_view()) as (app, _pilot):
        found = app.screen.query_one(AnchorList)
        found.fill(shown(anchors_of([KEPT, KEPT])), 0)
        text = "".join(words for words, _ in found.pieces(1, 140))
        assert text.split() == [
            *["●", "kept", "00:01.000000", "00:01.001000"],
            *["-1", "ms", "poll", "sequence", "of", "wire"],
        ]

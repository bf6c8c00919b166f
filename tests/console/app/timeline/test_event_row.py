"""One event as a row: its own column, the arrow, and what stands beside the screen."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.app.signs import ASCII, UNICODE, Signs
from console.app.timeline.columns import GUTTER, LEAST_COLUMN, columns_for
from console.app.timeline.event_row import (
    Told,
    blank_cells,
    event_cells,
    wait_cells,
)
from console.timeline.events import BAD, GOOD, ODD, UNSEEN
from tests.console.app.timeline.views import text_of, width_of
from tests.console.timeline.small_runs import HOSTILE

SIGNS = st.sampled_from([UNICODE, ASCII])
TEXTS = st.one_of(st.text(max_size=60), st.sampled_from(HOSTILE), st.just("瓶" * 40))
MS = 10**6


@given(
    parties=st.integers(1, 40),
    width=st.integers(GUTTER + LEAST_COLUMN, 250),
    signs=SIGNS,
    text=TEXTS,
    data=st.data(),
)
def test_every_row_is_as_wide_as_the_screen(
    parties: int, width: int, signs: Signs, text: str, data: st.DataObject
) -> None:
    party = st.integers(0, parties - 1)
    told = Told(
        party=data.draw(party),
        state=data.draw(st.sampled_from([GOOD, ODD, BAD, UNSEEN])),
        words=signs.clean(text),
        name=signs.clean(text)[:20],
        absent=data.draw(st.booleans()),
        cause=data.draw(st.one_of(st.none(), party)),
        latency=data.draw(st.sampled_from(["", "1.28 ms", "13 ms ±6 ms"])).replace(
            "±", signs.plus_minus
        ),
    )
    columns = columns_for(range(parties), width, data.draw(party))
    for row in (event_cells(told, columns, signs), blank_cells(columns, signs)):
        assert width_of(row) == width - GUTTER
    assert width_of(wait_cells(columns, signs)) == width - GUTTER


@given(SIGNS, st.integers(0, 3), st.integers(0, 3))
def test_an_arrow_reaches_from_its_cause_to_its_effect(signs: Signs, own: int, cause: int) -> None:
    columns = columns_for(range(4), 140, 0)
    row = text_of(event_cells(Told(own, GOOD, "words", cause=cause), columns, signs))
    arrows = row.count(signs.right) + row.count(signs.left)
    assert arrows == (own != cause) + (signs.node in (signs.right, signs.left))
    assert row.count(signs.crossing) == max(abs(own - cause) - 1, 0)
    assert row.index(signs.node) == columns.every[own].x - GUTTER


@pytest.mark.parametrize("own", [0, 1, 2])
def test_the_latency_stands_on_the_arrow_where_there_is_room(own: int) -> None:
    columns = columns_for(range(4), 140, 0)
    cause = 3 - own
    row = text_of(
        event_cells(Told(own, GOOD, "x", cause=cause, latency="1.28 ms"), columns, UNICODE)
    )
    assert " 1.28 ms " in row
    narrow = columns_for(range(4), GUTTER + 4 * LEAST_COLUMN, 0)
    short = text_of(
        event_cells(Told(own, GOOD, "x" * 30, cause=cause, latency="1" * 13), narrow, UNICODE)
    )
    assert "111" not in short


def test_an_effect_that_did_not_come_ends_in_a_loss_and_has_no_latency() -> None:
    columns = columns_for(range(3), 120, 0)
    told = Told(2, BAD, "not published", absent=True, cause=0, latency="5 ms")
    row = text_of(event_cells(told, columns, UNICODE))
    assert f"{UNICODE.lost}{UNICODE.absent} not published" in row
    assert UNICODE.right not in row
    assert "5 ms" not in row


@pytest.mark.parametrize(
    ("state", "absent", "sign"),
    [
        (GOOD, False, UNICODE.node),
        (ODD, False, UNICODE.odd),
        (BAD, False, UNICODE.bad),
        (BAD, True, UNICODE.absent),
        (UNSEEN, True, UNICODE.unseen),
    ],
)
def test_every_state_has_a_sign_of_its_own(state: int, absent: bool, sign: str) -> None:
    columns = columns_for([0], 60, 0)
    assert text_of(event_cells(Told(0, state, "w", absent=absent), columns, UNICODE))[0] == sign


def test_an_event_of_a_column_beside_the_screen_is_told_at_that_edge() -> None:
    columns = columns_for(range(40), 80, 20)
    left = text_of(event_cells(Told(3, BAD, "no ack", name="pump"), columns, UNICODE))
    right = text_of(event_cells(Told(39, BAD, "no ack", name="pump"), columns, UNICODE))
    assert left.startswith(f"{UNICODE.left} {UNICODE.bad} pump: no ack")
    assert right.endswith(f"{UNICODE.bad} pump: no ack {UNICODE.right} ")


def test_a_cause_beside_the_screen_comes_from_that_edge() -> None:
    columns = columns_for(range(40), 80, 20)
    last = columns.every[-1].party
    row = text_of(event_cells(Told(last, GOOD, "w", cause=0), columns, UNICODE))
    assert row.startswith(UNICODE.crossing + UNICODE.run)
    assert row.count(UNICODE.crossing) == len(columns.every) - 1


def test_an_event_of_a_hidden_party_leaves_the_lifelines_alone() -> None:
    columns = columns_for([0, 1], 80, 0)
    row = event_cells(Told(7, GOOD, "w"), columns, UNICODE)
    assert text_of(row) == text_of(blank_cells(columns, UNICODE))

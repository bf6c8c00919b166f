"""Where the columns stand."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from console.app.timeline.columns import GUTTER, LEAST_COLUMN, columns_for, ordered

WIDTHS = st.integers(GUTTER + LEAST_COLUMN, 300)


@given(st.integers(1, 40), WIDTHS, st.data())
def test_columns_fill_the_row_and_every_party_is_on_it_or_beside(
    count: int, width: int, data: st.DataObject
) -> None:
    chosen = data.draw(st.integers(0, count - 1))
    columns = columns_for(range(count), width, chosen)
    assert GUTTER + sum(column.width for column in columns.every) == width
    shown = [column.party for column in columns.every]
    assert [*columns.left, *shown, *columns.right] == list(range(count))
    assert chosen in shown
    assert all(column.width >= LEAST_COLUMN for column in columns.every)
    starts = [column.x for column in columns.every]
    assert starts == [GUTTER + sum(c.width for c in columns.every[:k]) for k in range(len(starts))]


@given(st.integers(1, 40), WIDTHS)
def test_a_party_beside_the_screen_is_told_from_one_that_is_hidden(count: int, width: int) -> None:
    columns = columns_for(range(count), width, count - 1)
    places = {party: columns.of(party) for party in range(count)}
    assert [places[party] for party in columns.left] == [-1] * len(columns.left)
    assert [places[column.party] for column in columns.every] == list(range(len(columns.every)))
    assert columns.of(count) is None
    first = columns_for(range(count), width, 0)
    assert {first.of(party) for party in first.right} <= {len(first.every)}


def test_no_party_leaves_the_gutter_alone() -> None:
    columns = columns_for([], 80, 0)
    assert (columns.every, columns.left, columns.right) == ((), (), ())


def test_the_users_order_comes_first_and_what_is_hidden_is_left_out() -> None:
    names = ["board", "camera", "hopper", "broker"]
    assert ordered(names, ["hopper", "gone"], ["camera"]) == [2, 0, 3]

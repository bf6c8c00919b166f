"""The events around one."""

from __future__ import annotations

from console.app.around import around
from tests.console.app.screens.showing import demo_view, empty_view


def test_events_stand_in_their_order_with_the_one_that_is_meant_among_them() -> None:
    near = list(around(demo_view(), 100, 2, 3))
    assert [one.k for one in near] == [98, 99, 100, 101, 102, 103]


def test_there_are_fewer_at_the_ends_of_the_run() -> None:
    last = len(demo_view().events) - 1
    assert [one.k for one in around(demo_view(), last, 1, 5)] == [last - 1, last]
    assert list(around(empty_view(), 0, 1, 5)) == []


def test_times_are_said_to_the_digits_of_their_own_clock() -> None:
    digits = {one.name: len(one.at.split(".")[1]) for one in around(demo_view(), 100, 40, 40)}
    assert digits == {"camera": 6, "hopper": 6, "controller": 3, "broker": 3}

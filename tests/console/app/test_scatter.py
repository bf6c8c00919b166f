"""Points as dots."""

from __future__ import annotations

import numpy as np
import pytest

from console.app.scatter import Frame, dots_hit, usual_range

FRAME = Frame(0, 100, -10.0, 10.0)


def drawn(points: list[tuple[int, int]], frame: Frame = FRAME, rows: int = 5) -> list[str]:
    t_ns = np.array([t for t, _ in points], np.int64)
    values = np.array([value for _, value in points], np.int64)
    hit = dots_hit(t_ns, values, frame, rows, 10)
    return ["".join("*" if dot else "." for dot in row) for row in hit.tolist()]


def test_points_lie_at_their_time_and_value_the_highest_on_top() -> None:
    assert drawn([(5, 10), (55, 0), (95, -10)]) == [
        "*.........",
        "..........",
        ".....*....",
        "..........",
        ".........*",
    ]


@pytest.mark.parametrize(("value", "row"), [(10_000, 0), (-10_000, 4)])
def test_values_beyond_the_range_are_drawn_at_its_edge(value: int, row: int) -> None:
    assert [k for k, line in enumerate(drawn([(50, value)])) if "*" in line] == [row]


def test_moments_outside_the_frame_are_left_out() -> None:
    assert not any("*" in line for line in drawn([(-1, 0), (101, 0)]))


def test_the_last_moment_belongs_to_the_last_column() -> None:
    assert drawn([(100, 0)])[2] == ".........*"


@pytest.mark.parametrize("points", [[], [(5, 0)]])
def test_no_room_and_no_points_draw_nothing(points: list[tuple[int, int]]) -> None:
    assert drawn(points, rows=0) == []


def test_any_number_of_points_hits_the_same_dots_as_one_by_one() -> None:
    dice = np.random.default_rng(7)
    t_ns, values = dice.integers(0, 101, 500), dice.integers(-12, 13, 500)
    together = dots_hit(t_ns, values, FRAME, 8, 30)
    single = np.zeros_like(together)
    for k in range(500):
        single |= dots_hit(t_ns[k : k + 1], values[k : k + 1], FRAME, 8, 30)
    assert (together == single).all()


def test_a_few_points_far_off_do_not_set_the_scale() -> None:
    values = np.concatenate([np.arange(1_000), [10**9]]).astype(np.int64)
    low, high = usual_range(values, (0.0, 0.0))
    assert (low, high < 1_000) == (0.0, True)


def test_the_range_holds_what_it_must() -> None:
    assert usual_range(np.array([3], np.int64), (-5.0, 5.0)) == (-5.0, 5.0)
    assert usual_range(np.empty(0, np.int64), (-5.0, 5.0)) == (-5.0, 5.0)

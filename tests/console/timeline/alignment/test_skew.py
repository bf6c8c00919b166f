"""The skew line against an independent solver of the same linear programme."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from console.timeline.alignment.skew import lower_edge, upper_edge, upper_hull

Floats = npt.NDArray[np.float64]


def solved(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and height above the mean of x of the best line above all points, by `linprog`."""
    run = x - x.mean()
    answer = linprog(
        [0.0, 1.0],
        A_ub=-np.column_stack((run, np.ones(len(x)))),
        b_ub=-y,
        bounds=[(None, None)] * 2,
    )
    assert answer.status == 0
    return float(answer.x[0]), float(answer.x[1])


def delays(seed: int, n: int, law: str) -> tuple[Floats, Floats]:
    """Points below a line of slope 0.01: x in s, y in ms."""
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 100, n))
    late = {"uniform": rng.uniform(0, 16, n), "long": rng.exponential(5, n) ** 1.5}[law]
    return x, 0.01 * x - late


@pytest.mark.parametrize("law", ["uniform", "long"])
@pytest.mark.parametrize("n", [2, 3, 10, 300, 2000])
def test_the_line_is_the_one_a_solver_finds(n: int, law: str) -> None:
    for seed in range(5):
        x, y = delays(seed, n, law)
        slope, height = solved(x, y)
        edge = upper_edge(x, y)
        assert edge.y == pytest.approx(height, rel=1e-9, abs=1e-9)
        assert edge.slope == pytest.approx(slope, rel=1e-7, abs=1e-9)
        assert edge.x == pytest.approx(x.mean())


def test_the_line_below_is_the_one_above_the_mirrored_points() -> None:
    x, y = delays(1, 500, "uniform")
    slope, height = solved(x, -y)
    edge = lower_edge(x, y)
    assert edge.slope == pytest.approx(-slope)
    assert edge.y == pytest.approx(-height)
    assert (edge.at(x) <= y + 1e-9).all()


POINTS = st.lists(
    st.tuples(st.integers(-1000, 1000), st.integers(-1000, 1000)), min_size=1, max_size=40
)


@settings(max_examples=100, deadline=None)
@given(POINTS)
def test_any_points_get_a_line_as_good_as_the_solvers(points: list[tuple[int, int]]) -> None:
    x, y = (np.array(column, dtype=np.float64) for column in zip(*sorted(points), strict=True))
    edge = upper_edge(x, y)
    assert (edge.at(x) >= y - 1e-6).all()
    assert edge.y == pytest.approx(solved(x, y)[1], abs=1e-6)


def plain_hull(x: Floats, y: Floats) -> list[float]:
    """x of the upper hull's corners: the points no pair of others reaches up to."""
    corners = []
    for k in range(len(x)):
        left = [(y[k] - y[j]) / (x[k] - x[j]) for j in range(k)]
        right = [(y[j] - y[k]) / (x[j] - x[k]) for j in range(k + 1, len(x))]
        if not left or not right or min(left) > max(right):
            corners.append(float(x[k]))
    return corners


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(-50, 50), min_size=2, max_size=40))
def test_the_hull_has_the_corners_that_stick_out(heights: list[int]) -> None:
    x, y = np.arange(len(heights), dtype=np.float64), np.array(heights, dtype=np.float64)
    assert x[upper_hull(x, y)].tolist() == plain_hull(x, y)


# Shapes and how many corners their upper hull has.
@pytest.mark.parametrize(("shape", "count"), [("equal", 2), ("dome", 3000), ("bowl", 2)])
def test_thinning_keeps_all_corners_of_plain_shapes(shape: str, count: int) -> None:
    x = np.arange(3000, dtype=np.float64)
    y = {"equal": np.zeros(3000), "dome": -((x - 1500) ** 2), "bowl": (x - 1500) ** 2}[shape]
    assert len(upper_hull(x, y)) == count


@pytest.mark.parametrize("seed", range(5))
def test_thinning_loses_no_corner_of_noise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.floor(np.sort(rng.uniform(0, 2000, 5000)))  # with equal times
    y = np.floor(rng.uniform(0, 1000, 5000)) * rng.choice([1.0, 0.01])
    corners = upper_hull(x, y)
    slopes = np.diff(y[corners]) / np.diff(x[corners])
    assert (np.diff(slopes) < 0).all()
    assert (np.interp(x, x[corners], y[corners]) >= y - 1e-9).all()


def test_equal_times_keep_their_highest_point() -> None:
    edge = upper_edge(np.array([5.0, 5.0, 5.0]), np.array([1.0, 3.0, 2.0]))
    assert (edge.slope, edge.y) == (0.0, 3.0)


def test_times_of_a_day_in_ns_lose_nothing() -> None:
    x = np.linspace(-4.32e13, 4.32e13, 10_001)
    y = 1e-4 * x - np.abs(np.sin(np.arange(10_001.0))) * 1.6e7
    edge = upper_edge(x, y)
    assert edge.slope == pytest.approx(1e-4, abs=1e-9)
    assert (edge.at(x) - y).min() > -1e-2

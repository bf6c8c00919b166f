from __future__ import annotations

import numpy as np
import pytest

from console.app.widgets.plot import ASCII
from console.app.widgets.plot_lane import BAD, LIMIT, Lane, PlotSeries, draw_lane
from console.timeline.numbers.number_limits import NumberLimit
from tests.console.app.widgets.plots import S, plotted


def lane(*members: PlotSeries, rows: int = 6, columns: int = 30, **how: bool) -> Lane:
    edges = (np.arange(columns + 1, dtype=np.int64) * 30 * S) // columns
    return draw_lane(members, edges, rows, ASCII.dots, "=", "o", **how)


def rows_of(drawn: Lane) -> list[str]:
    return ["".join(row) for row in drawn.canvas.characters.tolist()]


def test_a_limit_near_the_values_is_a_line_with_its_value() -> None:
    drawn = lane(plotted(np.linspace(0, 8, 30), limits=[NumberLimit(None, 10.0, "rule")]))
    [(row, words)] = [(r, w) for r, (w, style) in drawn.labels.items() if style == LIMIT]
    assert words == "max 10"
    assert rows_of(drawn)[row] == "=" * 30
    assert drawn.beyond == ()


def test_a_limit_far_from_the_values_is_told_in_words() -> None:
    drawn = lane(plotted(np.linspace(0, 8, 30), limits=[NumberLimit(-500.0, 900.0, "rule")]))
    assert drawn.beyond == ("min -500", "max 900")
    assert "=" not in "".join(rows_of(drawn))


@pytest.mark.parametrize(
    ("spike", "limit"),
    [(50.0, NumberLimit(None, 20.0, "rule")), (-50.0, NumberLimit(-20.0, None, "rule"))],
)
def test_cells_of_values_that_are_not_allowed_have_a_style_of_their_own(
    spike: float, limit: NumberLimit
) -> None:
    values = np.zeros(30)
    values[12] = spike
    drawn = lane(plotted(values, limits=[limit]))
    bad = np.argwhere(drawn.canvas.styles == BAD)
    assert set(bad[:, 1].tolist()) <= {11, 12}
    assert len(bad) >= 2


def test_a_value_barely_outside_is_marked_though_it_shares_the_row_of_the_limit() -> None:
    values = np.zeros(30)
    values[12] = 100.4
    drawn = lane(plotted(values, limits=[NumberLimit(None, 100.0, "rule")]))
    assert (drawn.canvas.styles == BAD).any()


def test_few_values_are_marked_so_that_joins_are_no_values() -> None:
    drawn = lane(plotted([0.0, 10.0, 5.0], every_ns=10 * S))
    assert "".join(rows_of(drawn)).count("o") == 3


def test_many_values_are_not_marked() -> None:
    assert "o" not in "".join(rows_of(lane(plotted(np.arange(30.0)))))


def test_curves_that_share_an_area_carry_their_numbers() -> None:
    one, two = plotted(np.zeros(30)), plotted(np.zeros(30), number=2)
    text = "".join(rows_of(lane(one, two, numbered=True)))
    assert "1" in text
    assert "2" in text


def test_a_scale_for_each_lets_small_values_fill_the_area_too() -> None:
    large, small = plotted(np.linspace(0, 1e6, 30)), plotted(np.linspace(0, 1e-3, 30), number=2)
    drawn = lane(large, small, own_scales=True)
    assert drawn.axis is None
    assert drawn.labels == {}
    assert [bool((drawn.canvas.styles[r] == small.style).any()) for r in range(6)] == [True] * 6


def test_values_outside_are_counted_once_for_the_title() -> None:
    series = plotted([1.0, 5.0, 9.0], limits=[NumberLimit(2.0, 8.0, "rule")])
    assert series.outside == 2


def test_a_lane_without_values_has_an_axis_and_no_curve() -> None:
    drawn = lane(plotted([]))
    assert set("".join(rows_of(drawn))) == {" "}

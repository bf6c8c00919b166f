from __future__ import annotations

import numpy as np
import pytest

from console.app.widgets.plot import ASCII
from console.app.widgets.plot_lane import draw_lane
from console.app.widgets.plot_words import at_cursor, range_words, remarks
from console.timeline.numbers.number_limits import NumberLimit
from tests.console.app.widgets.plots import S, plotted


@pytest.mark.parametrize(
    ("place_ns", "band_ns", "words"),
    [
        (3 * S, 0, "3.5 cm at 00:03.000"),
        (3 * S + S // 3, 2_000_000, "3.5 cm at 00:03.000 +-2 ms"),
        (3 * S, -1, "3.5 cm at 00:03.000 of its own clock"),
        (25 * S, 0, "9.5 cm 16 s before the cursor"),
        (-4 * S, 0, "0.5 cm 4 s after the cursor"),
    ],
)
def test_the_value_at_the_cursor_is_told_with_its_time_and_band(
    place_ns: int, band_ns: int, words: str
) -> None:
    series = plotted(np.arange(10) + 0.5, unit="cm", band_ns=band_ns)
    assert at_cursor(series, place_ns, 0, "+-") == words


def test_in_a_gap_there_is_no_value_but_the_nearest() -> None:
    whole = plotted(np.arange(40.0))
    assert at_cursor(whole, 12 * S, 0, "+-") == "12 at 00:12.000"
    gap = plotted([1.0] * 20 + [2.0])
    gap.series.t_ns[-1] = 100 * S
    assert at_cursor(plotted([]), 0, 0, "+-") == "no values"
    assert at_cursor(gap, 40 * S, 0, "+-") == "1 21 s before the cursor"
    assert at_cursor(gap, 90 * S, 0, "+-") == "2 10 s after the cursor"


def test_what_is_outside_and_limits_beyond_the_lane_are_told() -> None:
    series = plotted([1.0, 2.0, 3.0], unit="cm", limits=[NumberLimit(None, 900.0, "rule")])
    lane = draw_lane([series], np.arange(11, dtype=np.int64) * S, 4, ASCII.dots, "=", "o")
    assert [words for words, _ in remarks(series, lane, "!", is_alone=True)] == ["max 900 cm"]
    strict = plotted([1.0, 2.0, 3.0], limits=[NumberLimit(None, 1.5, "rule")])
    lane = draw_lane([strict], np.arange(11, dtype=np.int64) * S, 4, ASCII.dots, "=", "o")
    assert [words for words, _ in remarks(strict, lane, "!", is_alone=True)] == ["! 2 of 3 outside"]


def test_a_series_with_a_scale_of_its_own_tells_its_range() -> None:
    assert range_words(plotted([3.0, 1.0, 2.5], unit="cm")) == "1 to 3 cm"
    assert range_words(plotted([1e6, 2.5e6], unit="ns")) == "1 ms to 2.5 ms"
    assert range_words(plotted([])) == ""

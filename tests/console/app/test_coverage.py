"""Coverage of a run in bins."""

from __future__ import annotations

import pytest

from console.app.coverage import Span, bin_of, coverage

RUN = 0, 100
WORDS = " =^?"


def drawn(covered: tuple[int, int] | None, spans: list[Span], bins: int = 10) -> str:
    return "".join(WORDS[k] for k in coverage(covered, spans, RUN, bins).tolist())


@pytest.mark.parametrize(
    ("covered", "spans", "expected"),
    [
        ((0, 100), [], "=========="),
        ((20, 79), [], "  ======  "),
        (None, [], "          "),
        ((0, 100), [(35, 36, "doubtful")], "===^======"),
        ((0, 100), [(35, 36, "doubtful"), (30, 49, "gap")], "===??====="),
        ((0, 100), [(30, 49, "gap"), (35, 60, "doubtful")], "===??^^==="),
        ((0, 100), [(35, 60, "note")], "=========="),
        ((0, 60), [(60, None, "gap")], "======????"),
        ((0, 100), [(None, None, "doubtful")], "^^^^^^^^^^"),
        ((0, 100), [(200, 300, "gap"), (-9, -2, "gap")], "=========="),
        ((5, 5), [], "=         "),
    ],
)
def test_the_gravest_that_touches_a_bin_stands_in_it(
    covered: tuple[int, int] | None, spans: list[Span], expected: str
) -> None:
    assert drawn(covered, spans) == expected


@pytest.mark.parametrize("bins", [0, -3])
def test_no_room_draws_nothing(bins: int) -> None:
    assert drawn((0, 100), [(0, 9, "gap")], bins) == ""


def test_a_run_of_one_moment_has_one_bin() -> None:
    assert [bin_of(t, (5, 5), 4) for t in (4, 5, 6)] == [0, 0, 3]


def test_times_near_the_end_of_int64_fall_in_their_bin() -> None:
    late = 2**62
    assert bin_of(late - 1, (0, late), 100) == 99

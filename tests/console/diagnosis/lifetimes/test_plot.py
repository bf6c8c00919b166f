"""Count against time as a picture."""

from __future__ import annotations

from console.diagnosis.lifetimes.lives import POLLS, Ended, Life
from console.diagnosis.lifetimes.plot import lives_plot

S = 1_000_000_000


def life(seconds: float, polls: float, ended: Ended = "failed") -> Life:
    return Life("run", "camera", "first seen", ended, int(seconds * S), counts={POLLS: polls})


def test_lives_that_end_after_a_count_lie_along_a_row() -> None:
    lines = lives_plot([life(100, 2_048), life(200, 2_048), life(400, 2_048)], columns=21, rows=5)
    assert lines == [
        "polls; x stopped, o still answered",
        "2,048 |     x    x         x",
        "      |",
        "      |",
        "      |",
        "    0 |",
        "      +---------------------",
        "       0            6.67 min",
    ]


def test_lives_that_end_after_a_time_lie_in_a_column() -> None:
    lines = lives_plot([life(400, 500), life(400, 1_000), life(400, 2_000)], columns=21, rows=5)
    assert [line[-1] for line in lines[1:5]] == ["x", "|", "x", "x"]


def test_a_life_that_had_not_ended_has_a_sign_of_its_own() -> None:
    lines = lives_plot([life(1, 10), life(2, 20), life(4, 40, "censored")], columns=21, rows=5)
    assert lines[1].endswith("o")


def test_one_failure_is_no_picture() -> None:
    assert lives_plot([life(1, 10), life(2, 20, "censored")]) == []
    assert lives_plot([]) == []

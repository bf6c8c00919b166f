"""A comparison in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from console.diagnosis.lifetimes.comparison import Comparison, comparison
from console.diagnosis.lifetimes.lives import Life
from console.report.compare_text import compare_text, power_words

S = 1_000_000_000


def life(polls: int, period_s: float = 1.0, run: str = "monday", **more: object) -> Life:
    made = Life(
        run,
        "camera",
        "first seen",
        "failed",
        round(polls * period_s * S),
        how="address-nack",
        open_ns=round(period_s * S),
        counts={"polls": polls, "transactions": 2 * polls},
    )
    return replace(made, **more)  # type: ignore[arg-type]


def compared(*lives: Life) -> Comparison:
    found = comparison(lives)
    assert found is not None
    return found


def test_the_whole_report() -> None:
    lives = [life(2047, run="mon"), life(2047, run="tue"), life(2047, 0.5, run="wed")]
    assert compare_text(compared(*lives), 3).splitlines() == [
        "camera: 3 lives in 3 runs, 3 failed, 0 had not ended",
        "",
        "run  counted from  ended            after  polls  transactions  nearest power of two",
        "mon  first seen    address-nack  34.1 min  2,047         4,094             2,048 - 1",
        "tue  first seen    address-nack  34.1 min  2,047         4,094             2,048 - 1",
        "wed  first seen    address-nack  17.1 min  2,047         4,094             2,048 - 1",
        "",
        "It stops after a count: 2,047 polls, in each of 3 lives; the time it took went from "
        "17.1 min to 34.1 min.",
        "  Lives that end at random agree so well less than once in a million, 2 things tried.",
        "  Kept pace with it, so it may as well be one of: transactions.",
        "  A hint: the count of polls is one less than 2^11 = 2,048; look for a counter or a table "
        "of that size.",
        "",
        "polls; x stopped, o still answered",
        f"2,047 |{'':24}x{'':22}x",
        *["      |"] * 6,
        "    0 |",
        f"      +{'-' * 48}",
        f"       0{'34.1 min':>47}",
        "",
        "To believe a fix it must be seen to run past 2,252 polls.",
        "Lifetimes by a Weibull law, 95 % by profile likelihood: shape 4.6 (1.3 to 11); the "
        "longer it ran the likelier it stops, p 0.02.",
        "  mean 28.7 min (18.5 min to 41.8 min); median 29 min (16.9 min to 41 min); a tenth "
        "stopped by 19.3 min (4.81 min to 28.1 min)",
        "Half of them had stopped (Kaplan-Meier) after 34.1 min (95 %, log-log: 17.1 min to open).",
    ]


def test_lives_that_all_ended_alike_have_no_law() -> None:
    text = compare_text(compared(life(2000), life(2000), life(2000)), 3)
    assert "Lifetimes: all ended alike, which leaves no spread to fit." in text


def test_two_failures_are_given_no_law() -> None:
    text = compare_text(compared(life(2000), life(900)), 2)
    assert "Lifetimes: a law is fitted to 3 failures or more." in text


def test_while_most_still_answer_half_have_not_stopped() -> None:
    healthy = [life(5000 + k, ended="censored", open_ns=0, how="") for k in range(6)]
    text = compare_text(compared(life(2000), life(900), life(1300), *healthy), 9)
    assert "not yet, more than half still answered." in text


def test_texts_from_outside_are_cleaned() -> None:
    counts = {"polls": 2047.0, "messages on a\x1b[2Jb": 2047.0}
    lives = [life(2047, run="mon\x1bday", counts=counts) for _ in range(3)]
    assert "\x1b" not in compare_text(compared(*lives), 3)


def test_wide_names_keep_the_columns() -> None:
    lines = compare_text(compared(life(100, run="月曜"), life(220, run="tuesday")), 2).splitlines()
    assert lines[3].startswith("月曜     first seen")
    assert lines[4].startswith("tuesday  first seen")


def test_sentences_are_wrapped_and_tables_are_not() -> None:
    lines = compare_text(
        compared(life(2047), life(2047), life(2047, 0.5)), 3, width=60
    ).splitlines()
    assert lines[2].endswith("nearest power of two")
    assert max(len(line) for line in lines[7:10]) <= 60


@pytest.mark.parametrize(
    ("count", "said"),
    [(2048, "2,048"), (2047, "2,048 - 1"), (40, "32 + 8"), (70_000, "65,536 + 7 %")],
)
def test_a_power_of_two_is_told_with_the_way_to_it(count: int, said: str) -> None:
    assert power_words(count) == said


def test_many_others_that_stopped_are_counted() -> None:
    others = [life(300, device=f"sensor {k}") for k in range(9)]
    text = compare_text(compared(life(100), life(230), *others), 1)
    assert text.splitlines()[-1].endswith("and 3 more; --device shows another.")


def test_figures_without_a_spread_are_finite(recwarn: pytest.WarningsRecorder) -> None:
    made = np.random.default_rng(4)
    lives = [life(int(polls)) for polls in made.integers(2, 9000, 5)]
    assert compare_text(compared(*lives), 5)
    assert list(recwarn) == []

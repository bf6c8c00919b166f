"""The verdict in sentences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from console.diagnosis.lifetimes.candidates import Candidate
from console.diagnosis.lifetimes.clean_run import CleanRun
from console.diagnosis.lifetimes.count_or_clock import verdict
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.lifetimes.words import clean_run_words, verdict_words, went_words
from tests.console.diagnosis.lifetimes.worlds import S, World, after_polls, after_time, memoryless


def bare(polls: int, period_s: float, zero: str = "first seen") -> Life:
    """A life of which only polls were counted."""
    return Life(
        "run",
        "camera",
        "boot" if zero == "boot" else "first seen",
        "failed",
        round(polls * period_s * S),
        open_ns=round(period_s * S),
        counts={"polls": polls},
    )


def words(*lives: Life) -> list[str]:
    return verdict_words(verdict(lives), lives)


def test_a_count_is_told_with_the_times_that_differ() -> None:
    assert words(bare(2047, 1), bare(2047, 1), bare(2047, 0.5)) == [
        "It stops after a count: 2,047 polls, in each of 3 lives; the time it took went from "
        "17.1 min to 34.1 min.",
        "Lives that end at random agree so well less than once in a million, 2 things tried.",
        "A hint: the count of polls is one less than 2^11 = 2,048; look for a counter or a table "
        "of that size.",
    ]


def test_a_time_is_told_with_the_polls_that_differ() -> None:
    assert words(bare(2000, 1), bare(2000, 1), bare(4000, 0.5)) == [
        "It stops after a time: 33.3 min, in each of 3 lives; the polls until then went from "
        "2,000 to 4,000.",
        "Lives that end at random agree so well less than once in a million, 2 things tried.",
    ]


def test_a_range_of_one_value_went_from_nowhere_to_nowhere() -> None:
    one = Candidate("polls", np.full(2, 15.0), np.ones(2), np.ones(2))
    assert went_words(one) == "were 15 each time"


def test_confounded_lives_get_the_change_of_rate_that_tells() -> None:
    assert words(bare(2040, 1), bare(2040, 1), bare(2040, 1)) == [
        "Count or time, and these lives cannot tell which: it stops after 2,040 polls and 34 min "
        "each time, for the one kept pace with the other.",
        "Lives that end at random agree so well less than once in a million.",
        "Halve the poll period: if it is the count it will stop after 17 min, if it is the time "
        "after 34 min.",
    ]


def test_a_rollover_names_its_tick() -> None:
    first, _, last = words(*(bare(polls, 1, "boot") for polls in (4295, 4295, 4296)))
    assert first == (
        "It stops when a tick rolls over: all 3 lives ended within 1.03 s of the same rollover of "
        "2^32 microseconds (71.6 min)."
    )
    assert last == (
        "Preset the tick to shortly before the rollover: then it should stop in seconds."
    )


def test_one_failure_near_a_rollover_is_given_as_a_hint() -> None:
    assert words(bare(4295, 1, "boot"))[1] == (
        "A hint: it ended within 1 s of a rollover of 2^32 microseconds (71.6 min)."
    )


def test_one_failure_gets_the_experiment_in_its_figures() -> None:
    assert words(bare(1500, 1))[-1] == (
        "Record it again, once as it was and once with the poll period halved: a count would end "
        "that after 12.5 min, a time after 25 min."
    )


def test_two_that_agree_are_said_to_be_too_few() -> None:
    assert words(bare(10, 1), bare(10, 1))[0] == (
        "Cannot say yet: it stopped after 10 s each time, but 2 lives are too few to tell that "
        "from chance."
    )


def test_chance_is_told_with_its_shape() -> None:
    lives = memoryless(np.random.default_rng(5), 6, 2000, (1,), per_poll=False)
    assert words(*lives)[0].startswith(
        "It stops at random: neither the times nor the counts agree better than chance, and they "
        "scatter as chance does (Weibull shape "
    )


def test_what_does_not_agree_is_not_guessed() -> None:
    first, doubt, last = words(bare(300, 1), bare(2500, 1))
    assert first.startswith("Cannot say: no count and no time is the same in all lives")
    assert doubt.startswith("Counted from the first answer seen: if it ran before, that hides")
    assert last == "More lives would tell; change the poll rate between them."


def test_a_run_that_went_on_beyond_is_named() -> None:
    mended = replace(bare(4000, 1), run="mended", ended="censored", open_ns=0)
    assert words(bare(2047, 1), bare(2047, 1), bare(2047, 0.5), mended)[0] == (
        "Cannot say: all that failed stopped after 2,047 polls, but mended went on well beyond. "
        "If something was mended or different there, leave it out; if not, this is no limit."
    )


def test_very_many_that_kept_pace_are_counted() -> None:
    found = words(*after_polls(np.random.default_rng(1), 2047, (1, 1, 1), spread=0.004))
    assert any(line.startswith("Kept pace with it") and " more." in line for line in found)


def test_lives_left_out_are_told() -> None:
    other = replace(bare(77, 1), zero="answered again")
    found = words(bare(2047, 1), bare(2047, 1), bare(2047, 0.5), other)
    assert found[-1] == "Left out: 1 life counted from another kind of beginning."


def test_nothing_failed() -> None:
    healthy = replace(World().of_polls(np.random.default_rng(1), 50, 1, "run"), ended="censored")
    assert words(healthy) == ["Nothing failed, so there is nothing to compare."]


@pytest.mark.parametrize(
    ("needed", "said"),
    [
        (
            CleanRun(count=2251.7, of="polls"),
            "To believe a fix it must be seen to run past 2,252 polls.",
        ),
        (
            CleanRun(ns=2250 * S, count=2200, of="polls"),
            "To believe a fix it must be seen to run past 2,200 polls and past 37.5 min.",
        ),
        (
            CleanRun(ns=7200 * S, by_chance=True),
            "To believe a fix (95 %) it must run clean for 2 h, if it stops at random.",
        ),
    ],
)
def test_clean_running_is_told(needed: CleanRun, said: str) -> None:
    assert clean_run_words(needed).replace("120 min", "2 h") == said


def test_every_verdict_is_one_line_a_sentence() -> None:
    made = np.random.default_rng(2)
    for lives in (after_polls(made, 99, (1, 2)), after_time(made, 99, (1, 1, 2))):
        assert all("\n" not in line and line.endswith(".") for line in words(*lives))


def test_of_two_failures_no_shape_is_told() -> None:
    apart = [bare(400, 1.0), bare(900, 1.0)]
    assert "Weibull" not in " ".join(words(*apart))
    assert "Weibull" in " ".join(words(*apart, bare(2_100, 1.0)))

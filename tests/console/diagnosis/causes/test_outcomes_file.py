"""Outcomes of experiments from a file."""

from __future__ import annotations

import pytest

from console.diagnosis.causes.experiment_table import EXPERIMENTS
from console.diagnosis.causes.experiments import Outcome
from console.diagnosis.causes.outcomes_file import known, load_outcomes, of_device
from decoders.errors import DescriptionError

RATE = EXPERIMENTS[0]
FILE = f"""\
[[outcome]]
experiment = "{RATE.slug}"
outcome = "{RATE.outcomes[0]}"
device = "camera"
note = "three runs"
"""


def test_a_file_gives_what_came_of_experiments() -> None:
    told = Outcome(RATE.slug, RATE.outcomes[0], "camera", "three runs")
    assert load_outcomes(FILE, "tried.toml") == (told,)


def test_an_unknown_experiment_is_refused_with_its_line_and_the_nearest() -> None:
    with pytest.raises(DescriptionError, match=r"tried\.toml:2: there is no experiment") as caught:
        load_outcomes(FILE.replace(RATE.slug, "pol-rate"), "tried.toml")
    assert f"Did you mean {RATE.slug!r}?" in caught.value.mend


def test_an_unknown_outcome_on_a_later_line_is_refused() -> None:
    text = FILE + FILE.replace(RATE.outcomes[0], "dies sometimes")
    with pytest.raises(DescriptionError, match=r"tried\.toml:8: 'dies sometimes' is no outcome"):
        load_outcomes(text, "tried.toml")


def test_an_outcome_is_of_its_device_or_of_every_one() -> None:
    mine, all_ = Outcome("a", "b", "camera"), Outcome("c", "d")
    assert of_device([mine, all_], "camera") == [mine, all_]
    assert of_device([mine, all_], "hopper") == [all_]


def test_what_another_version_kept_and_this_one_does_not_know_is_left_out() -> None:
    good = Outcome(RATE.slug, RATE.outcomes[0])
    assert known([Outcome("gone", "x"), good, Outcome(RATE.slug, "x")]) == [good]


def test_an_outcome_that_is_left_out_is_asked_for() -> None:
    text = FILE.replace(f'outcome = "{RATE.outcomes[0]}"\n', "")
    with pytest.raises(DescriptionError, match=r"tried\.toml:1: outcome has no 'outcome'"):
        load_outcomes(text, "tried.toml")


def test_an_experiment_that_came_out_in_two_ways_is_refused() -> None:
    other = FILE.replace(RATE.outcomes[0], RATE.outcomes[1])
    with pytest.raises(DescriptionError, match=rf"tried\.toml:8: '{RATE.slug}' came out as"):
        load_outcomes(FILE + other, "tried.toml")
    assert len(load_outcomes(FILE + other.replace("camera", "hopper"), "tried.toml")) == 2
    assert len(load_outcomes(FILE + FILE, "tried.toml")) == 2

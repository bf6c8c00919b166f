"""Gains by hand, the table's consistency, and what outcomes change."""

from __future__ import annotations

import math

import msgspec
import pytest

from console.diagnosis.causes.catalogue import BY_SLUG, CAUSES
from console.diagnosis.causes.experiment import Experiment
from console.diagnosis.causes.experiment_table import EXPERIMENTS
from console.diagnosis.causes.experiments import (
    Outcome,
    Outcomes,
    after,
    entropy_bits,
    expected_gain,
    next_experiment,
    updated,
)
from console.diagnosis.telling.explaining import explained
from console.diagnosis.telling.why import cause
from tests.console.diagnosis.causes.test_ranking import CONTROLLER, READ, TARGET, ranking

TEST = Experiment(
    "test", "Test it", 1, ("yes", "no"), {"a": (1.0, 0.0), "b": (0.0, 1.0)}, (0.5, 0.5)
)


def test_entropy_of_equals_is_the_logarithm_of_their_number() -> None:
    assert entropy_bits([0.25] * 4) == pytest.approx(2.0)
    assert entropy_bits([1.0, 0.0]) == 0.0


def test_experiment_that_splits_two_equals_tells_one_bit() -> None:
    gain, expected = expected_gain({"a": 0.5, "b": 0.5}, TEST)
    assert gain == pytest.approx(1.0, abs=2e-3)
    assert expected == pytest.approx({"yes": 0.5, "no": 0.5})


def test_gain_with_an_undecided_third_is_what_the_sum_says() -> None:
    # yes: a 1/3, c 1/6 (of 1/2), so 2/3 and 1/3; no likewise with b
    gain, _ = expected_gain({"a": 1 / 3, "b": 1 / 3, "c": 1 / 3}, TEST)
    by_hand = math.log2(3) - entropy_bits([2 / 3, 1 / 3])
    assert gain == pytest.approx(by_hand, abs=2e-3)


def test_outcome_moves_probability_by_its_likelihood() -> None:
    found = updated({"a": 0.5, "c": 0.5}, TEST, "yes")
    assert found["a"] == pytest.approx(2 / 3, abs=1e-3)


def test_unknown_outcome_is_refused() -> None:
    with pytest.raises(ValueError, match="maybe"):
        updated({"a": 1.0}, TEST, "maybe")


@pytest.mark.parametrize("experiment", EXPERIMENTS, ids=[e.slug for e in EXPERIMENTS])
def test_predicted_outcomes_add_up_and_name_known_causes(experiment: Experiment) -> None:
    rows = [*experiment.predicted.values(), experiment.otherwise]
    assert [len(row) for row in rows] == [len(experiment.outcomes)] * len(rows)
    assert [sum(row) for row in rows] == pytest.approx([1.0] * len(rows))
    assert set(experiment.predicted) - set(BY_SLUG) == set()


def test_every_cause_names_experiments_that_exist() -> None:
    known = {experiment.slug for experiment in EXPERIMENTS}
    assert {slug for cause in CAUSES for slug in cause.experiments} - known == set()


def test_who_holds_the_clock_is_split_by_a_restart_or_a_power_cycle() -> None:
    proposal = next_experiment(ranking({TARGET: 5.0, CONTROLLER: 5.0}))
    assert proposal is not None
    assert proposal.experiment.slug in ("restart-controller", "power-target", "reset-line")


def test_outcome_turns_a_tie_into_an_order() -> None:
    before = ranking({TARGET: 5.0, CONTROLLER: 5.0})
    found = after(before, [Outcome("restart-controller", "works at once")])
    assert found.claimed[0].cause.slug == CONTROLLER
    assert found.tie is None
    assert found.updated_by == ("restart-controller",)
    assert sum(found.posterior.values()) == pytest.approx(1.0)


def test_experiment_that_was_done_is_not_proposed_again() -> None:
    found = after(ranking({TARGET: 5.0, CONTROLLER: 5.0}), [Outcome("reset-line", "neither")])
    proposal = next_experiment(found)
    assert proposal is None or proposal.experiment.slug != "reset-line"


def test_nothing_claimed_proposes_nothing() -> None:
    assert next_experiment(ranking({READ: None})) is None


def test_outcomes_survive_their_file_form() -> None:
    outcomes = Outcomes((Outcome("poll-rate", "both scatter", note="at noon"),))
    text = '[[outcome]]\nexperiment = "poll-rate"\noutcome = "both scatter"\nnote = "at noon"\n'
    assert msgspec.toml.decode(text, type=Outcomes) == outcomes
    assert msgspec.json.decode(msgspec.json.encode(outcomes), type=Outcomes) == outcomes


def test_unknown_experiment_is_refused() -> None:
    with pytest.raises(ValueError, match="shake"):
        after(ranking({READ: 5.0}), [Outcome("shake", "gone")])


def test_tie_is_said_plainly() -> None:
    found = explained(ranking({TARGET: 5.0, CONTROLLER: 5.0}))
    first, *named, channel = (line.words for line in cause(found).lines)
    assert first == "Cannot tell these 2 apart:"
    assert [words.strip().rpartition(" (")[0] for words in named] == [
        BY_SLUG[CONTROLLER].title,
        BY_SLUG[TARGET].title,
    ]
    assert channel == "What would tell: the controller's reset line, recorded with the bus."

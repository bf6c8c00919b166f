"""Posteriors, claims and ties, worked out by hand."""

from __future__ import annotations

import math

import pytest

from console.diagnosis.causes.catalogue import BY_SLUG
from console.diagnosis.causes.cause import Answer, Cause
from console.diagnosis.causes.experiments import Outcome, after
from console.diagnosis.causes.ranking import Ranking, ranking_of, tie_of, together
from console.diagnosis.episode import Episode

TARGET, CONTROLLER = "clock-held-by-target", "clock-held-by-controller"
READ = "orphaned-read"


def ranking(weights: dict[str, float | None], episode: Episode | None = None) -> Ranking:
    """Of causes of the catalogue by their weights; None: refuted."""
    answers: dict[str, tuple[Cause, Answer]] = {
        slug: (
            BY_SLUG[slug],
            Answer("refuted", -4.0, ()) if weight is None else Answer("holds", weight, ()),
        )
        for slug, weight in weights.items()
    }
    return ranking_of(answers, dict.fromkeys(weights, 1.0), episode)


def test_probability_is_prior_times_likelihood_ratio_over_the_sum() -> None:
    found = ranking({READ: math.log(100), "nack-trap": math.log(50)})
    # priors 6 and 2 beside 10 for something else: 600, 100 and 10 of 710
    assert found.of(READ).probability == pytest.approx(600 / 710)
    assert found.of("nack-trap").probability == pytest.approx(100 / 710)
    assert found.something_else == pytest.approx(10 / 710)


def test_probabilities_add_up_to_one() -> None:
    found = ranking({READ: 5.0, TARGET: 2.0, "nack-trap": None})
    assert sum(found.posterior.values()) == pytest.approx(1.0)


@pytest.mark.parametrize(("weight", "claims"), [(1.5, 0), (3.0, 0), (5.0, 1)])
def test_weak_evidence_alone_claims_nothing(weight: float, claims: int) -> None:
    assert len(ranking({"nack-trap": weight}).claimed) == claims


def test_refuted_cause_is_never_claimed() -> None:
    assert ranking({READ: None}).claimed == ()


def test_causes_within_a_factor_of_ten_are_a_tie_that_names_the_channel() -> None:
    tie = ranking({TARGET: 5.0, CONTROLLER: 4.5}).tie
    assert tie is not None
    assert tie.slugs == (TARGET, CONTROLLER)
    assert tie.extra_channel == "the controller's reset line"


def test_causes_further_apart_are_no_tie() -> None:
    assert ranking({READ: 9.0, "nack-trap": 5.0}).tie is None


def test_who_holds_the_clock_stays_a_tie_whatever_the_ratio_while_no_reset_was_seen() -> None:
    assert tie_of(ranking({TARGET: 9.0, CONTROLLER: 4.0}).claimed) is not None


def test_together_takes_each_cause_where_its_evidence_is_best() -> None:
    one, other = ranking({READ: 6.0, "nack-trap": None}), ranking({READ: None, "nack-trap": 8.0})
    found = together([one, other])
    assert [row.cause.slug for row in found.claimed] == ["nack-trap", READ]
    assert sum(found.posterior.values()) == pytest.approx(1.0)


def test_together_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="no ranking"):
        together([])


def test_cause_that_cannot_leave_the_face_of_a_dead_stretch_is_not_claimed_for_it() -> None:
    answers = {READ: (BY_SLUG[READ], Answer("holds", 9.0, ()))}
    found = ranking_of(answers, {READ: 0.05}, None, {READ})
    assert (found.claimed, found.of(READ).fits) == ((), False)


def test_experiment_makes_no_claim_of_a_cause_that_does_not_explain_the_stop() -> None:
    answers = {"tick-rollover": (BY_SLUG["tick-rollover"], Answer("holds", 9.0, ()))}
    found = ranking_of(answers, {}, None, {"tick-rollover"})
    outcome = Outcome("preload-tick", "fails within a minute")
    assert after(found, [outcome]).claimed == ()

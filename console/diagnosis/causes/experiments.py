"""Experiments, what each cause makes of them, and which one to do next.

An experiment has a few outcomes. For each cause the table says how probable each is; a cause that
is not named makes them as the experiment's `otherwise` says. Given how likely the causes are, an
experiment has a known gain: the entropy of the causes before, less the mean entropy after (Lindley
1956, Annals of Mathematical Statistics 27, 986-1005). The next experiment is the one of the
greatest gain; of equals the cheapest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec

from console.diagnosis.causes.experiment import Experiment
from console.diagnosis.causes.experiment_table import EXPERIMENTS
from console.diagnosis.causes.ranking import SOMETHING_ELSE, Ranked, Ranking, tie_of

_LEAST_GAIN = 0.05  # bit; an experiment that is worth less is not proposed
_EQUAL = 0.05  # bit; within which the cheaper one is taken
# Those that tell who holds a clock; no sign in a capture of two lines does.
_TELL_HOLDERS = {"restart-controller", "power-target", "reset-line"}
_LEAST = 1e-4  # probability: no outcome is impossible, benches have surprises


class Outcome(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What came of an experiment, as the user recorded it; the form in files as well."""

    experiment: str  # slug
    outcome: str  # one of its outcomes
    device: str = ""  # of whom; of every device where it is left out
    note: str = ""
    at: str = ""  # when, as the user wrote it


class Outcomes(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The outcomes of experiments: a table of `[[outcome]]` in TOML."""

    outcome: tuple[Outcome, ...] = ()


@dataclass(frozen=True, slots=True)
class Proposal:
    """An experiment and what may be expected of it."""

    experiment: Experiment
    gain_bits: float
    expected: Mapping[str, float]  # probability of each outcome
    tells: Mapping[str, str]  # outcome -> slug of the cause that it then points to


def entropy_bits(posterior: Iterable[float]) -> float:
    """Shannon's entropy of probabilities that add up to 1."""
    return -sum(p * math.log2(p) for p in posterior if p > 0)


def likelihood(experiment: Experiment, slug: str, outcome: str) -> float:
    """Probability of an outcome if that is the cause."""
    row = experiment.predicted.get(slug, experiment.otherwise)
    return max(row[experiment.outcomes.index(outcome)], _LEAST)


def updated(
    posterior: Mapping[str, float], experiment: Experiment, outcome: str
) -> dict[str, float]:
    """The probabilities once an outcome is known (Bayes).

    Raises:
        ValueError: for an outcome that the experiment does not have.
    """
    if outcome not in experiment.outcomes:
        raise ValueError(f"{outcome!r} is no outcome of {experiment.slug}")
    joint = {s: p * likelihood(experiment, s, outcome) for s, p in posterior.items()}
    norm = sum(joint.values())
    return {slug: value / norm for slug, value in joint.items()}


def expected_gain(
    posterior: Mapping[str, float], experiment: Experiment
) -> tuple[float, dict[str, float]]:
    """Bits that an experiment is expected to tell, and the probability of each outcome."""
    joint = {
        outcome: {s: p * likelihood(experiment, s, outcome) for s, p in posterior.items()}
        for outcome in experiment.outcomes
    }
    sums = {outcome: sum(row.values()) for outcome, row in joint.items()}
    total = sum(sums.values())  # 1, but for the floor under impossible outcomes
    after = sum(
        sums[outcome] / total * entropy_bits(p / sums[outcome] for p in row.values())
        for outcome, row in joint.items()
    )
    gain = entropy_bits(posterior.values()) - after
    return max(gain, 0.0), {outcome: value / total for outcome, value in sums.items()}


def proposals(ranking: Ranking, experiments: Sequence[Experiment] = EXPERIMENTS) -> list[Proposal]:
    """The experiments worth doing, the best first; none when nothing is claimed."""
    if not ranking.claimed:
        return []
    posterior = ranking.posterior
    done = set(ranking.updated_by)
    found = []
    for each in experiments:
        if each.slug in done:
            continue
        gain, expected = expected_gain(posterior, each)
        if gain >= _LEAST_GAIN:
            found.append(Proposal(each, gain, expected, _tells(posterior, each)))
    return sorted(found, key=lambda p: (-round(p.gain_bits / _EQUAL), p.experiment.cost))


def next_experiment(ranking: Ranking) -> Proposal | None:
    """The best experiment, None when none would tell more."""
    return next(iter(proposals(ranking)), None)


def _tells(posterior: Mapping[str, float], experiment: Experiment) -> dict[str, str]:
    """Which cause would lead after each outcome."""
    return {
        outcome: max(
            (found := updated(posterior, experiment, outcome)), key=lambda slug: found[slug]
        )
        for outcome in experiment.outcomes
    }


def after(ranking: Ranking, outcomes: Sequence[Outcome]) -> Ranking:
    """The ranking once the user recorded what came of experiments.

    A cause that leads after them is claimed when its test did not rule it out, it explains the dead
    stretch, and it is likelier than something else.

    Raises:
        ValueError: for an experiment or an outcome that does not exist.
    """
    table = {each.slug: each for each in EXPERIMENTS}
    posterior = ranking.posterior
    for each in outcomes:
        if each.experiment not in table:
            raise ValueError(f"no experiment {each.experiment!r}")
        posterior = updated(posterior, table[each.experiment], each.outcome)
    rest = posterior[SOMETHING_ELSE]
    rows = [_after(row, posterior[row.cause.slug], rest) for row in ranking.rows]
    rows.sort(key=lambda row: (-row.probability, row.cause.slug))
    done = (*ranking.updated_by, *(each.experiment for each in outcomes))
    tie = tie_of(rows, tried=bool(_TELL_HOLDERS & set(done)))
    return replace(ranking, rows=tuple(rows), something_else=rest, tie=tie, updated_by=done)


def _after(row: Ranked, probability: float, rest: float) -> Ranked:
    able = row.fits and row.answer.verdict != "refuted"
    claimed = row.claimed or (able and probability > 0.5)
    return replace(row, probability=probability, claimed=claimed and probability > rest)

"""The causes of one scene in order: how likely each is, what stays untold, and what is a tie.

Each cause starts with its prior (lower where the scene has another face than it leaves behind) and
is multiplied by its evidence's likelihood ratio. Beside them stands "something else", whose
evidence is neutral: it keeps a lone weak cause from being certain. A cause is claimed only when
its test holds, its evidence is strong enough by itself, and it is likelier than "something else".

What is claimed of a peripheral's dead stretch must explain it: a cause that leaves another face
behind is not claimed there, whatever speaks for it. It may be claimed of the run as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from console.diagnosis.causes.catalogue import CAUSES
from console.diagnosis.causes.cause import FAIR, WEAK, Answer, Cause, Evidence, missing_kinds
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.episode import Episode
from console.diagnosis.scene import Scene

SOMETHING_ELSE = "something-else"
_ELSE_PRIOR = 10.0  # what is in no list is rarer than all that is, and likelier than most of it
_OTHER_FACE = 0.05
_CLAIM = FAIR + WEAK - 1e-9  # evidence a claim needs by itself
_TIED = 10.0  # times likelier, below which two causes are not told apart
_REFUTED = -math.log(1000)
# Without a channel that shows who drives, the signs of these two hang on the place of the hold
# alone: no ratio of theirs tells them apart.
_INSEPARABLE = (frozenset({"clock-held-by-target", "clock-held-by-controller"}),)
_DECIDES = "as the controller restarted", "without a restart of the controller"


@dataclass(frozen=True, slots=True)
class Ranked:
    """One cause with its answer and how likely it is."""

    cause: Cause
    answer: Answer
    probability: float
    claimed: bool
    fits: bool = True  # it can leave the face of the scene's dead stretch behind
    device: str = ""  # whose life it was asked of; "" where it was asked of the run


@dataclass(frozen=True, slots=True)
class Tie:
    """Causes that the evidence does not tell apart, and the channel that would."""

    slugs: tuple[str, ...]
    extra_channel: str


@dataclass(frozen=True, slots=True)
class Ranking:
    """All causes of one scene, likeliest first; within the rest by how they were answered.

    Attributes:
        rows: every cause that was tried.
        something_else: probability that it is none of them.
        tie: the first ones, when they are not told apart.
        updated_by: slugs of experiments whose outcomes are in the probabilities.
    """

    rows: tuple[Ranked, ...]
    something_else: float
    tie: Tie | None = None
    updated_by: tuple[str, ...] = ()
    episode: Episode | None = field(default=None, repr=False)

    @property
    def claimed(self) -> tuple[Ranked, ...]:
        """The causes that are claimed, likeliest first; none for healthy traffic."""
        return tuple(row for row in self.rows if row.claimed)

    @property
    def not_observable(self) -> tuple[Ranked, ...]:
        """The causes that nothing in this run could show."""
        return tuple(row for row in self.rows if row.answer.verdict == "not-observable")

    @property
    def posterior(self) -> dict[str, float]:
        """Probability by slug, `something-else` among them; they add up to 1."""
        found = {row.cause.slug: row.probability for row in self.rows}
        return {**found, SOMETHING_ELSE: self.something_else}

    def of(self, slug: str) -> Ranked:
        """One cause's row.

        Raises:
            KeyError: for a slug that was not tried.
        """
        for row in self.rows:
            if row.cause.slug == slug:
                return row
        raise KeyError(slug)


def ranked(
    scene: Scene,
    others: Sequence[Episode] = (),
    causes: Iterable[Cause] = CAUSES,
    run: RunFacts | None = None,
) -> Ranking:
    """Rank the causes of one scene.

    Args:
        scene: an episode that failed; or one that did not, when something other than a dead stretch
            is looked for over a device's whole life; or a whole run (`whole_run`).
        others: the other episodes of that device.
        causes: those to try.
        run: what is known of its run, where several scenes of one are ranked.
    """
    facts = Facts(scene, others, run)
    answers = {cause.slug: (cause, answered(cause, scene, facts)) for cause in causes}
    faces = _faces(facts, answers)
    is_dead = bool(scene.episode.device) and facts.stopped
    unfit = {slug for slug, factor in faces.items() if is_dead and factor < 1}
    return ranking_of(answers, faces, scene.episode, unfit)


def answered(cause: Cause, scene: Scene, facts: Facts) -> Answer:
    """A cause's answer; not observable at once where a kind of source that it needs is missing."""
    if not scene.episode.device and cause.of_device:
        look = Evidence("it shows itself on one device's bus: ask for a device", "unknown")
        return Answer("not-observable", 0.0, (look,))
    missing = missing_kinds(cause, scene)
    if missing:
        words = tuple(
            Evidence(f"{kind}: no such source in this run", "unknown") for kind in missing
        )
        return Answer("not-observable", 0.0, words)
    return cause.test(scene, facts)


def _faces(facts: Facts, answers: Mapping[str, tuple[Cause, Answer]]) -> dict[str, float]:
    """Of each cause how well the scene's face becomes it."""
    face = facts.face
    return {
        slug: 1.0 if face in cause.faces else _OTHER_FACE for slug, (cause, _) in answers.items()
    }


def ranking_of(
    answers: Mapping[str, tuple[Cause, Answer]],
    faces: Mapping[str, float],
    episode: Episode | None = None,
    unfit: Collection[str] = (),
) -> Ranking:
    """The ranking that answers add up to.

    Args:
        answers: by slug.
        faces: by slug, a factor of the prior.
        episode: what they are about.
        unfit: slugs of causes that cannot leave the dead stretch's face behind.
    """
    total = sum(cause.prior for cause, _ in answers.values()) or 1.0
    weights = {
        slug: cause.prior / total * faces.get(slug, 1.0) * math.exp(_log_ratio(answer))
        for slug, (cause, answer) in answers.items()
    }
    rest = _ELSE_PRIOR / total
    norm = sum(weights.values()) + rest
    rows = [
        Ranked(
            cause,
            answer,
            weights[slug] / norm,
            _is_claim(answer) and weights[slug] > rest and slug not in unfit,
            slug not in unfit,
            "" if episode is None else episode.device,
        )
        for slug, (cause, answer) in answers.items()
    ]
    rows.sort(key=lambda row: (-row.probability, row.cause.slug))
    return Ranking(tuple(rows), rest / norm, tie_of(rows), (), episode)


def _log_ratio(answer: Answer) -> float:
    return _REFUTED if answer.verdict == "refuted" else answer.weight


def _is_claim(answer: Answer) -> bool:
    return answer.verdict == "holds" and answer.weight >= _CLAIM


def tie_of(rows: Sequence[Ranked], *, tried: bool = False) -> Tie | None:
    """The claimed causes near the first, when there are any beside it.

    Args:
        rows: likeliest first.
        tried: an experiment that tells the inseparable ones was done.
    """
    claimed = [row for row in rows if row.claimed]
    if len(claimed) < 2:
        return None
    first = claimed[0]
    near = [row for row in claimed if row.probability * _TIED > first.probability]
    for row in claimed[1:]:
        pair = frozenset({first.cause.slug, row.cause.slug})
        if pair in _INSEPARABLE and row not in near and not (tried or _decided(first.answer)):
            near.append(row)
    if len(near) < 2:
        return None
    channel = next((row.cause.extra_channel for row in near if row.cause.extra_channel), "")
    return Tie(tuple(row.cause.slug for row in near), channel)


def _decided(answer: Answer) -> bool:
    """Whether a restart of the controller was seen to free the line, or not to."""
    words = " ".join(answer.saying("for") + answer.saying("against"))
    return any(each in words for each in _DECIDES)


def together(rankings: Sequence[Ranking]) -> Ranking:
    """One ranking of several scenes of a run: each cause by the best evidence it has in any.

    Raises:
        ValueError: for no ranking.
    """
    if not rankings:
        raise ValueError("no ranking")
    best: dict[str, Ranked] = {}
    for ranking in rankings:
        for row in ranking.rows:
            known = best.get(row.cause.slug)
            if known is None or _order(row) > _order(known):
                best[row.cause.slug] = row
    odds = {
        slug: row.probability / max(ranking_else(rankings, row), 1e-12)
        for slug, row in best.items()
    }
    norm = sum(odds.values()) + 1.0
    rows = [replace(row, probability=odds[slug] / norm) for slug, row in best.items()]
    rows.sort(key=lambda row: (-row.probability, row.cause.slug))
    return Ranking(tuple(rows), 1.0 / norm, tie_of(rows), (), rankings[0].episode)


def ranking_else(rankings: Sequence[Ranking], row: Ranked) -> float:
    """The probability of something else in the ranking that a row comes from."""
    return next(each.something_else for each in rankings if row in each.rows)


def _order(row: Ranked) -> tuple[bool, float]:
    return row.claimed, row.probability

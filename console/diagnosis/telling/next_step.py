"""What to try next, as a part of a story: there is always something."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

from console.diagnosis.causes.catalogue import BY_SLUG
from console.diagnosis.causes.cause import Cause, missing_kinds
from console.diagnosis.causes.experiment import Experiment
from console.diagnosis.causes.experiment_table import EXPERIMENTS
from console.diagnosis.causes.experiments import (
    Outcome,
    Proposal,
    likelihood,
    next_experiment,
)
from console.diagnosis.causes.ranking import SOMETHING_ELSE
from console.diagnosis.causes.shares import share
from console.diagnosis.scene import Scene
from console.diagnosis.story import Line, Part
from console.diagnosis.telling.explaining import Explained
from console.watch.findings import counted

_FITS = 1.5  # times likelier under a cause than otherwise: an outcome that speaks for it
_BY_SLUG: Mapping[str, Experiment] = {each.slug: each for each in EXPERIMENTS}
_KINDS = {
    "capture": "a capture of the bus",
    "prints": "the board's prints",
    "messages": "the messages",
}


def try_next(scene: Scene, found: Explained, outcomes: Sequence[Outcome] = ()) -> Part:
    """The experiment that would tell most, and what came of those done.

    It splits the leading causes. Where one stands alone it is the experiment that would put it to
    the test; where none is claimed it is to record more.

    Args:
        scene: of the episode.
        found: its causes, with the outcomes in them.
        outcomes: that the user recorded.
    """
    proposal = next_experiment(found.ranking)
    lines = [*_done(outcomes)]
    if not found.told:
        lines += _record_more(scene, found)
    elif proposal is not None:
        lines += _experiment(proposal)
    else:
        lines += _proof(found.told[0].cause, found.ranking.updated_by)
    return Part("What to try next", tuple(lines))


def _done(outcomes: Sequence[Outcome]) -> Iterator[Line]:
    for each in outcomes:
        told = each.experiment, each.outcome
        yield Line(f"done: {_BY_SLUG[each.experiment].title}: {each.outcome}", outcome=told)


def _experiment(proposal: Proposal) -> Iterator[Line]:
    """What to do, what each outcome would point to, and what to take care of."""
    experiment = proposal.experiment
    yield Line(f"{experiment.title}.")
    before = ""
    for outcome, slug in proposal.tells.items():
        points = "none of these" if slug == SOMETHING_ELSE else in_sentence(BY_SLUG[slug].title)
        same = "the same" if points == before else points
        before = points
        words = f'  outcome "{outcome}" ({share(proposal.expected[outcome])}): {same}'
        yield Line(words, tone="quiet", outcome=(experiment.slug, outcome))
    if experiment.care:
        yield Line(experiment.care, tone="doubt")


def _proof(cause: Cause, done: Sequence[str]) -> Iterator[Line]:
    """What would show whether a cause which stands alone is the one."""
    left = [_BY_SLUG[slug] for slug in cause.experiments if slug not in done]
    experiment = next((each for each in left if max(_speaks(cause, each).values()) >= _FITS), None)
    if experiment is None:
        yield Line("One cause stands alone: no experiment of the catalogue would tell more.")
        return
    yield Line(f"One cause stands alone. To check it: {in_sentence(experiment.title)}.")
    for outcome, ratio in _speaks(cause, experiment).items():
        points = (
            "as expected" if ratio >= _FITS else "doubt it" if ratio * _FITS < 1 else "says little"
        )
        told = experiment.slug, outcome
        yield Line(f'  outcome "{outcome}": {points}', tone="quiet", outcome=told)
    if experiment.care:
        yield Line(experiment.care, tone="doubt")


def _speaks(cause: Cause, experiment: Experiment) -> dict[str, float]:
    """Of each outcome of an experiment how much likelier it is under a cause than otherwise."""
    return {
        outcome: likelihood(experiment, cause.slug, outcome)
        / likelihood(experiment, SOMETHING_ELSE, outcome)
        for outcome in experiment.outcomes
    }


def _record_more(scene: Scene, found: Explained) -> Iterator[Line]:
    """Which kind of source would let most causes be looked for; else a second failure."""
    missing = Counter(
        kind for row in found.ranking.rows for kind in missing_kinds(row.cause, scene)
    )
    for kind, count in missing.most_common(1):
        them = f"{counted(count, 'cause')} of the catalogue can be looked for only there"
        yield Line(f"Record {_KINDS[kind]} too: {them}.")
        return
    yield Line("Record it once more: what two failures have in common says more than one.")


def in_sentence(title: str) -> str:
    """A title inside a sentence: it begins small, unless with a name in capitals."""
    return title if title[1:2].isupper() else title[:1].lower() + title[1:]

"""A ranking in words: what holds and why, what was ruled out, what could not be seen, what next."""

from __future__ import annotations

from collections.abc import Iterator

from console.diagnosis.causes.catalogue import BY_SLUG
from console.diagnosis.causes.experiments import Proposal, next_experiment
from console.diagnosis.causes.ranking import SOMETHING_ELSE, Ranked, Ranking, Tie

_SHOWN = 3


def headline(ranking: Ranking) -> str:
    """The verdict in one sentence."""
    claimed = ranking.claimed
    if not claimed:
        unseen = len(ranking.not_observable)
        rest = f"; {unseen} could not be looked for" if unseen else ""
        return f"No cause of the catalogue shows itself here{rest}."
    if ranking.tie is not None:
        return tie_words(ranking.tie)
    first = claimed[0]
    return f"{first.cause.title} ({share(first.probability)})."


def tie_words(tie: Tie) -> str:
    """That causes are not told apart, and what would tell."""
    first, *rest = tie.slugs
    without = f" without {tie.extra_channel}" if tie.extra_channel else ""
    return f"Cannot tell {first} from {' or '.join(rest)}{without}."


def share(probability: float) -> str:
    """A probability for people: never 0 or 100 %, and no finer than the weights it comes from."""
    if probability > 0.95:
        return "over 95 %"
    return "under 1 %" if probability < 0.01 else f"{probability * 100:.0f} %"


def reasons(row: Ranked) -> Iterator[str]:
    """What is said of one cause, a sentence a line; text from outside in them is not cleaned."""
    answer = row.answer
    if answer.verdict == "holds":
        yield f"holds because {'; '.join(answer.saying('for'))}"
        if against := answer.saying("against"):
            yield f"against it: {'; '.join(against)}"
        if unknown := answer.saying("unknown"):
            yield f"not observable: {'; '.join(unknown)}"
    elif answer.verdict == "refuted":
        yield f"ruled out because {'; '.join(answer.saying('against'))}"
    else:
        yield f"not observable: {'; '.join(answer.saying('unknown'))}"


def experiment_words(proposal: Proposal) -> Iterator[str]:
    """What to do next, and what each outcome would point to."""
    experiment = proposal.experiment
    yield f"{experiment.title}."
    for outcome, slug in proposal.tells.items():
        chance = share(proposal.expected[outcome])
        points = "none of these" if slug == SOMETHING_ELSE else BY_SLUG[slug].title.lower()
        yield f"{outcome} ({chance}): {points}"
    if experiment.care:
        yield experiment.care


def told(ranking: Ranking) -> Iterator[str]:
    """All of a ranking that fits a page."""
    yield headline(ranking)
    for row in ranking.claimed[:_SHOWN]:
        yield f"{row.cause.slug}, {share(row.probability)}"
        yield from reasons(row)
    proposal = next_experiment(ranking)
    if proposal is not None:
        yield from experiment_words(proposal)

"""Which causes a story may tell as the reason of a stop, and which only go with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from console.diagnosis.causes.ranking import Ranked, Ranking, tie_of

LIKELY = 0.05  # below it a cause that is claimed is no answer beside a likelier one
MOST = 3  # causes told in full


@dataclass(frozen=True, slots=True)
class Explained:
    """The causes of one stop, sorted by what may be said of them.

    Attributes:
        ranking: of the causes that can stop a peripheral, their probabilities adding up to 1.
        told: those to name, likeliest first; those that are not told apart are among them.
        beside: what shows itself on the network. It may follow from the stop; no message that was
            lost makes a peripheral stop answering.
    """

    ranking: Ranking
    told: Sequence[Ranked]
    beside: Sequence[Ranked]


def explained(ranking: Ranking) -> Explained:
    """Sort the causes of a ranking of one episode."""
    own = _of_the_stop(ranking)
    tied = own.tie.slugs if own.tie is not None else ()
    told = [
        row for row in own.claimed if row.probability >= LIKELY or row.cause.slug in tied
    ] or own.claimed[:1]
    named = {row.cause.slug for row in told[:MOST]}
    beside = [row for row in ranking.claimed if row.cause.family == "network"]
    others = [row for row in beside if row.cause.slug not in named]
    return Explained(own, tuple(told[:MOST]), tuple(others))


def _of_the_stop(ranking: Ranking) -> Ranking:
    """The ranking if none of the causes of the network was the reason."""
    if ranking.episode is None or not ranking.episode.device:
        return ranking
    kept = [row for row in ranking.rows if row.cause.family != "network"]
    norm = sum(row.probability for row in kept) + ranking.something_else
    rows = tuple(replace(row, probability=row.probability / norm) for row in kept)
    rest = ranking.something_else / norm
    return replace(ranking, rows=rows, something_else=rest, tie=tie_of(rows))

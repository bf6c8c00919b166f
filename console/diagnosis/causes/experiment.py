"""What an experiment is: something to do, what may come of it, and how probable each outcome is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Row = tuple[float, ...]  # probability of each outcome; they add up to 1


@dataclass(frozen=True, slots=True)
class Experiment:
    """Something to do at the bench.

    Attributes:
        slug: its word in files.
        title: what to do, as an order.
        cost: 1 a setting, 2 a change of firmware, 3 a change of wiring.
        outcomes: what may come of it, in words.
        predicted: by slug of the cause, the probability of each outcome.
        otherwise: of every cause that is not named, and of "something else".
        care: what to mind while doing it, "" when nothing.
    """

    slug: str
    title: str
    cost: int
    outcomes: tuple[str, ...]
    predicted: Mapping[str, Row]
    otherwise: Row
    care: str = ""


GONE = ("gone", "less", "unchanged")
SURE_GONE = (0.92, 0.06, 0.02)
MOSTLY_GONE = (0.75, 0.2, 0.05)
LESS = (0.25, 0.6, 0.15)
SAME = (0.04, 0.11, 0.85)

WORKS = ("works at once", "does not help")
YES, LIKELY, EVEN, NO = (0.95, 0.05), (0.8, 0.2), (0.5, 0.5), (0.08, 0.92)


def alike(row: Row, *slugs: str) -> dict[str, Row]:
    """One row for several causes."""
    return dict.fromkeys(slugs, row)

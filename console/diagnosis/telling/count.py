"""Count or clock, as a part of a story."""

from __future__ import annotations

from collections.abc import Sequence

from console.diagnosis.lifetimes.clean_run import clean_run
from console.diagnosis.lifetimes.count_or_clock import comparable, verdict
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.lifetimes.plot import lives_plot
from console.diagnosis.lifetimes.words import clean_run_words, verdict_words
from console.diagnosis.story import Line, Part


def count_or_clock(lives: Sequence[Life]) -> Part:
    """What the lives of one device say together, and how long a fix must run clean.

    Args:
        lives: of that device, of this run and of others.
    """
    found = verdict(lives)
    lines = [Line(words) for words in verdict_words(found, lives)]
    needed = clean_run(found, lives)
    if needed is not None:
        lines.append(Line(clean_run_words(needed)))
    lines += [Line(row, tone="quiet", drawn=True) for row in lives_plot(comparable(lives))]
    return Part("Count, clock or chance", tuple(lines))

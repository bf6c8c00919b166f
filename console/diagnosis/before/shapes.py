"""Which transactions there were, and in which order."""

from __future__ import annotations

import numpy as np

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure
from console.diagnosis.before.row_words import form_words, place_of, short_words
from console.diagnosis.before.statistics import Ints, Truths, largest_of, novelty, seen_before

_COMMON = 50  # a shape seen so often may be odd by what it follows


def shape(history: History) -> Kind:
    """Direction, length, first byte, how it began and ended: a missing STOP shows here."""
    codes = np.where(_asked(history), history.shape, -1)
    scores = np.where(codes < 0, 0.0, novelty(codes))
    largest, rows = largest_of(scores, history.unit, history.n)

    def said(unit: int) -> Said:
        at = int(rows[unit])
        row = history.own.row(at, named=True)
        words = form_words(row)
        return Said(words, place_of(row), f"a {words}", _share(history, codes, at))

    return Kind("shape", history.units, [Measure(largest, said)])


def order(history: History) -> Kind:
    """Which shape follows which, where both are common."""
    shapes = history.shape
    pairs = np.full(len(shapes), -1, np.int64)
    pairs[1:] = shapes[:-1] * (int(shapes.max(initial=0)) + 1) + shapes[1:]
    seen = seen_before(shapes)
    common = np.zeros(len(shapes), np.bool_)
    common[1:] = (seen[1:] >= _COMMON) & (seen[:-1] >= _COMMON)
    common &= _asked(history)
    largest, rows = largest_of(np.where(common, novelty(pairs), 0.0), history.unit, history.n)

    def said(unit: int) -> Said:
        at = int(rows[unit])
        row, before = (history.own.row(k, named=True) for k in (at, at - 1))
        words = f"{short_words(row)} after {short_words(before)}"
        return Said(words, place_of(row), f"a {words}", _share(history, pairs, at))

    return Kind("order", history.units, [Measure(largest, said)])


def _asked(history: History) -> Truths:
    """Which own rows are of units that were answered: of others the shape is the failure's."""
    return history.unit <= history.units.last


def _share(history: History, codes: Ints, at: int) -> float:
    """Of the healthy units, how many have a row of the same code."""
    same = np.unique(history.unit[(codes == codes[at]) & (history.unit >= 0)])
    healthy = history.units.healthy
    return float((healthy[same].sum() + 1) / (healthy.sum() + 1))

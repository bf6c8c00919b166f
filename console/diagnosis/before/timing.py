"""How long things took, and the pauses between them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure
from console.diagnosis.before.row_words import place_of, short_words
from console.diagnosis.before.statistics import Floats, Ints, Truths, isolation, largest_of, rise
from decoders.durations import in_words

# Of logarithms of lengths: what differs by less is one length.
LEAST_RATIO = 0.005


def gap(history: History) -> Kind:
    """The pause before each transaction, compared with those between the same two forms."""
    starts = history.own["start_ns"].to_numpy()
    pause = np.ones(len(starts))
    pause[1:] = np.maximum(starts[1:] - history.own["end_ns"].to_numpy()[:-1], 1)
    direction = history.own["read"].fill_null(value=False).to_numpy().astype(np.int64)
    groups = np.full(len(starts), -1, np.int64)
    first = np.ones(len(starts), np.bool_)
    first[1:] = history.unit[1:] != history.unit[:-1]
    # Within a poll it matters what came before; how the poll before ended may vary.
    before = np.where(first[1:], direction[:-1] - 2, history.shape[:-1]) + 2
    groups[1:] = before * 2 + direction[1:]
    scores = np.where(groups < 0, 0.0, isolation(np.log(pause), groups, LEAST_RATIO))
    joined = (history.own["started_by"] == "restart").to_numpy()
    scores[joined] = 0.0  # a repeated START follows at once, by what it is
    what = _pause_words(history, first)
    return Kind(
        "gap", history.units, [_timed(history, "the pause before", scores, pause, groups, what)]
    )


def length(history: History) -> Kind:
    """How long each transaction took, compared with others of its shape."""
    took, shape = _lengths(history)
    scores = isolation(np.log(took), shape, LEAST_RATIO)
    return Kind("length", history.units, [_timed(history, "a", scores, took, shape, _length_words)])


def growth(history: History) -> Kind:
    """Lengths that rose over the last eight transactions of one shape."""
    took, shape = _lengths(history)
    scores = np.maximum(rise(np.log(took), shape), 0.0)
    return Kind(
        "growth", history.units, [_timed(history, "rising, a", scores, took, shape, _rose_words)]
    )


def _lengths(history: History) -> tuple[Floats, Ints]:
    """How long own rows took; what was not answered is of no shape."""
    took = (history.own["end_ns"] - history.own["start_ns"]).to_numpy()
    shape = np.where(history.unit <= history.units.last, history.shape, -1)
    return np.maximum(took, 1).astype(np.float64), shape


_Words = Callable[[int, History, float, float], str]  # own row, .., ns, usual ns


def _timed(
    history: History,
    measured: str,
    scores: Floats,
    took_ns: Floats,
    groups: Ints,
    what: _Words,
) -> Measure:
    scores = np.where(groups < 0, 0.0, scores)
    largest, rows = largest_of(scores, history.unit, history.n)

    def said(unit: int) -> Said:
        at = int(rows[unit])
        alike = groups == groups[at]
        usual, ns = float(np.median(took_ns[alike])), float(took_ns[at])
        longer = ns > usual
        as_far = took_ns[alike] >= ns if longer else took_ns[alike] <= ns
        row = history.own.row(at, named=True)
        words = what(at, history, ns, usual)
        same = f"{measured} {short_words(row)} {'longer' if longer else 'shorter'} than usual"
        share = float((as_far.sum() + 1) / (alike.sum() + 1))
        return Said(words, place_of(row), same, share, round(ns))

    return Measure(largest, said)


def _pause_words(history: History, first: Truths) -> _Words:
    def pause(at: int, history: History, ns: float, usual: float) -> str:
        row, before = (history.own.row(k, named=True) for k in (at, at - 1))
        if first[at]:
            return (
                f"pause of {in_words(ns)} before the {short_words(row)} that begins a poll "
                f"(usually {in_words(usual)})"
            )
        return (
            f"{short_words(row)} {in_words(ns)} after {short_words(before)} "
            f"(usually {in_words(usual)})"
        )

    return pause


def _length_words(at: int, history: History, ns: float, usual: float) -> str:
    row = history.own.row(at, named=True)
    return f"{short_words(row)} took {in_words(ns)} (usually {in_words(usual)})"


def _rose_words(at: int, history: History, ns: float, usual: float) -> str:
    row = history.own.row(at, named=True)
    return (
        f"{short_words(row)} took longer from one to the next, up to {in_words(ns)} "
        f"(usually {in_words(usual)})"
    )

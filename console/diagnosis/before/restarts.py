"""How shortly before there was a restart or a reconnect."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure
from console.diagnosis.before.statistics import Floats
from console.diagnosis.before.windows import Heard
from console.diagnosis.story import Place
from decoders.durations import in_words

_BACK_NS = 1_000_000_000  # stamps that go back by less are two tasks out of order
_WORDS = r"(?i)\b(?:re)?boot(?:ed|ing|s)?\b|\breset\b|\brestart(?:ed|ing)?\b|\bbrown.?out\b"
_AGAIN = r"(?i)\breconnect(?:ed|ing)?\b|\bconnection lost\b|\bdisconnected\b"


def restart(history: History, heard: Heard) -> Kind:
    """The time since stamps went back, or a restart or reconnect was printed.

    Restarts are common in some runs; what counts is how much of the healthy time was so shortly
    behind one.
    """
    rows = heard.rows
    back = pl.col("native_ns") < pl.col("native_ns").shift(1).over("source") - _BACK_NS
    said_so = pl.col("text").str.contains(_WORDS) | pl.col("text").str.contains(_AGAIN)
    found = rows.select((back.fill_null(value=False) | said_so).fill_null(value=False)).to_series()
    at = np.flatnonzero(found.to_numpy())
    windows = heard.windows
    ends = windows.from_ns + windows.length_ns * np.arange(1, windows.n + 1, dtype=np.int64)
    latest = np.searchsorted(heard.late_ns[at], ends, side="left") - 1
    scores: Floats = np.zeros(windows.n)
    if len(at):
        age = ends - heard.late_ns[at[np.maximum(latest, 0)]]
        scores = np.where(latest >= 0, 1.0 / np.maximum(age, 1), 0.0)

    def about(window: int) -> Said:
        row = rows.row(int(at[latest[window]]), named=True)
        ns = windows.until_ns - row["t_ns"]
        share = float((scores >= scores[window]).mean())
        words = f"{row['source']} restarted or reconnected {in_words(ns)} before"
        place = Place(row["t_ns"], "prints", row["row"])
        return Said(words, place, f"{row['source']} restarted or reconnected", share, ns)

    return Kind("restart", windows.units, [Measure(scores, about)])

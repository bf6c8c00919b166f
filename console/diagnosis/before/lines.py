"""The lines themselves: spikes, noise, lines held; pulses of the wire where it is kept."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from console.diagnosis.before.difference import Said
from console.diagnosis.before.history import History
from console.diagnosis.before.judging import Kind, Measure, Units
from console.diagnosis.before.pulse_widths import NarrowestOfRows, WidthOfRows, pulse_widths
from console.diagnosis.before.row_words import place_of, short_words
from console.diagnosis.before.statistics import (
    Ints,
    codes_of,
    isolation,
    largest_of,
    novelty,
)
from console.diagnosis.before.timing import LEAST_RATIO
from console.diagnosis.story import Place
from decoders.durations import in_words

_ODD_STATES = ("busy", "sda-held", "scl-held", "both-held", "spike", "noise")
_STATE_WORDS = {
    "busy": "lines high, but no STOP",
    "sda-held": "SDA held low",
    "scl-held": "SCL held low",
    "both-held": "SCL and SDA held low",
    "spike": "a spike, too short for a clock",
    "noise": "edges outside of any transaction",
}
_MOST_EDGES = 3_000_000
_EDGES_A_BYTE = 27  # 18 of SCL, and at most 9 of SDA


def lines(history: History) -> Kind:
    """States of the lines besides traffic and rest."""
    episode = history.scene.episode
    states = (
        history.scene.table("line_states")
        .with_row_index("row")
        .filter(
            (pl.col("bus") == episode.bus)
            & (pl.col("source") == episode.source)
            & pl.col("state").is_in(_ODD_STATES)
            & (pl.col("end_ns") < history.until_ns)
        )
    )
    codes = codes_of(states["state"])
    unit = history.units_at(states["start_ns"].to_numpy())
    largest, rows = largest_of(novelty(codes), unit, history.n)

    def said(number: int) -> Said:
        at = int(rows[number])
        row = states.row(at, named=True)
        words = _STATE_WORDS[row["state"]]
        took = in_words(row["end_ns"] - row["start_ns"])
        place = Place(row["start_ns"], "line_states", row["row"])
        share = float(((codes == codes[at]).sum() + 1) / (history.n + 1))
        return Said(f"{words} for {took}", place, f"{words}", min(share, 1.0))

    return Kind("lines", history.units, [Measure(largest, said)])


def pulses(history: History) -> Kind | None:
    """Narrowest pulse, shortest high and longest low of SCL in each transaction of the peripheral.

    None when the wire was not kept. Looked back over as many polls as have some 3 million edges.
    """
    first = _first_row(history)
    own = history.own.slice(first)
    keep = (history.unit[first:] >= 0) & (history.unit[first:] <= history.units.last)
    begins, ends = own["start_ns"].to_numpy(), own["end_ns"].to_numpy()
    if not keep.any():
        return None
    levels = history.scene.levels(int(begins[0]), history.until_ns)
    if levels is None or len(levels.t_ns) < 2 or levels.until_ns < int(ends[keep][-1]):
        return None
    units = _units_since(history, int(begins[0]))
    shape = np.where(keep, history.shape[first:], -1)
    unit = np.where(keep, history.unit[first:], -1)
    found = []
    for name, widths in pulse_widths(levels, begins, ends).items():
        values = widths.values_ns
        odd = isolation(np.log(np.maximum(values, 1.0)), shape, LEAST_RATIO)
        largest, rows = largest_of(np.where(values > 0, odd, 0.0), unit, history.n)
        found.append(Measure(largest, _Words(name, widths, own, shape, rows).said))
    return Kind("pulses", units, found)


class _Words:
    """Words about one width of each row."""

    def __init__(
        self,
        name: str,
        widths: WidthOfRows | NarrowestOfRows,
        own: pl.DataFrame,
        shape: Ints,
        rows: Ints,
    ) -> None:
        self._name, self._widths, self._values = name, widths, widths.values_ns
        self._own, self._shape, self._rows = own, shape, rows

    def said(self, unit: int) -> Said:
        """About the oddest of a unit."""
        row = int(self._rows[unit])
        form: dict[str, Any] = self._own.row(row, named=True)
        ns = float(self._values[row])
        alike = self._values[(self._shape == self._shape[row]) & (self._values > 0)]
        usual = float(np.median(alike))
        far = alike >= ns if ns > usual else alike <= ns
        words = f"{self._name} of {short_words(form)}: {in_words(ns)} (usually {in_words(usual)})"
        place = Place(self._widths.at_ns(row), "transactions", place_of(form).row)
        side = "longer" if ns > usual else "shorter"
        share = float((far.sum() + 1) / (len(alike) + 1))
        return Said(words, place, f"{self._name} {side} than usual", share, round(ns))


def _first_row(history: History) -> int:
    """The own row from which on the bus has not too many edges to be looked at."""
    edges = (history.bus["data"].str.len_bytes().fill_null(0) // 2 + 1) * _EDGES_A_BYTE
    after = edges.reverse().cum_sum().reverse().to_numpy()[history.own_at]
    return int(np.searchsorted(-after, -_MOST_EDGES))


def _units_since(history: History, begin_ns: int) -> Units:
    healthy = history.units.healthy & (history.starts_ns >= begin_ns)
    return Units(healthy, history.units.last, history.units.bad)

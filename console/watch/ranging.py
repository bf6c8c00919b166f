"""Echo ranging: pings without an echo, and distances that the firmware got wrong."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from console.bench.conditions import Kind, value_of
from console.bench.lines import Published
from console.bench.lines import Ranging as RangingSensor
from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.gaps import Ints
from console.watch.names import Names
from console.watch.published_error import ErrorOf, Floats, PublishedErrors
from console.watch.rows import Selection
from console.watch.rule import Batch, Words

_FEWEST_PAIRS = 8
_KEPT = 1  # echoes: what is published later rests on the last
_NOBODY = Names({}, {}, {})
_CONSTANT = 3  # times its spread: an error that is always there


class Ranging:
    """A fold over the pings of one sensor and what the firmware published of them.

    Each published distance is set beside the last echo that had ended by then.

    Args:
        sensor: the sensor, with what its firmware publishes.
        party: whose findings these are.

    Raises:
        DescriptionError: if the condition or field of what is published does not fit its table.
    """

    def __init__(self, sensor: RangingSensor, party: str) -> None:
        self._sensor, self._party = sensor, party
        self._words = Words(0)
        self._pings = 0
        self._lost, self._timed_out = Tally(), Tally()
        self._published = None if sensor.published is None else _Values(sensor.published)
        self._errors = PublishedErrors()
        self._first_pair_ns: int | None = None
        self._echo_end_ns = np.empty(0, np.int64)  # of the last echo, if there was one
        self._echo_cm = np.empty(0, np.float64)

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        name, source = self._sensor.name, self._sensor.source
        asked = batch.table("exchanges").filter(pl.col("device") == name)
        self._pings += asked.height
        for tally, outcome in ((self._lost, "none"), (self._timed_out, "invalid")):
            tally.add(asked.filter(pl.col("outcome") == outcome)["request_ns"].to_numpy())
        if self._published is None:
            return []
        own = (pl.col("line") == self._sensor.echo_line) & (pl.col("source") == source)
        echoes = batch.table("pulses").filter(own & pl.col("distance_cm").is_not_null())
        end_ns = np.concatenate([self._echo_end_ns, echoes["end_ns"].to_numpy()])
        measured = np.concatenate([self._echo_cm, echoes["distance_cm"].to_numpy()])
        t_ns, values = self._published.of(batch, source)
        if len(end_ns) and len(t_ns):
            self._pair(end_ns, measured, t_ns, values)
        self._echo_end_ns, self._echo_cm = end_ns[-_KEPT:], measured[-_KEPT:]
        return []

    def _pair(self, end_ns: Ints, measured: Floats, t_ns: Ints, values: Floats) -> None:
        assert self._sensor.published is not None
        at = end_ns.searchsorted(t_ns, "right") - 1
        age_ns = t_ns - end_ns.take(np.maximum(at, 0))
        fits = (at >= 0) & (age_ns <= self._sensor.published.within_ns) & np.isfinite(values)
        if self._first_pair_ns is None and fits.any():
            self._first_pair_ns = int(t_ns[fits][0])
        self._errors.add(values[fits], measured.take(at[fits]))

    def finish(self, until_ns: int) -> list[Finding]:
        """Return what was found of the sensor."""
        found = [] if not self._lost.count + self._timed_out.count else [self._without_echo()]
        error = self._errors.found()
        if error is not None and error.pairs >= _FEWEST_PAIRS:
            found.append(self._compared(error))
        return found

    def _without_echo(self) -> Finding:
        lost, timed_out = self._lost, self._timed_out
        first_ns = min(t.first_ns for t in (lost, timed_out) if t.count)
        total = lost.count + timed_out.count
        summary = (
            f"{counted(total, 'ping')} of {self._pings:,} without a distance: {lost.count:,} lost, "
            f"{timed_out.count:,} timed out; first at {self._words.at(first_ns)}"
        )
        evidence = {
            "pings": self._pings,
            "lost": lost.count,
            "timed_out": timed_out.count,
            "count": total,
            "first_ns": first_ns,
            "last_ns": max(t.last_ns for t in (lost, timed_out) if t.count),
            "times_ns": sorted([*lost.times_ns, *timed_out.times_ns]),
        }
        return self._finding("echo-lost", "warning", first_ns, summary, evidence)

    def _compared(self, error: ErrorOf) -> Finding:
        tolerance = self._sensor.tolerance_cm
        told = f"{_signed(error.bias_cm)} cm, spread {error.spread_cm:.1f} cm over {error.pairs:,}"
        is_wide = error.spread_cm > tolerance
        severity: Severity = "warning"
        if error.grows_cm > max(tolerance, 2 * abs(error.offset_cm)):
            kind = "grows"
            summary = (
                f"the published distance is off by {error.slope:+.1%} of the distance ({told}), as "
                f"when the speed of sound is taken for air that is not of "
                f"{self._sensor.temperature_c:g} degrees"
            )
        elif abs(error.bias_cm) > max(tolerance, _CONSTANT * error.spread_cm):
            kind = "constant"
            words = "more" if error.bias_cm > 0 else "less"
            summary = (
                f"the published distance is always {abs(error.bias_cm):.1f} cm {words} than the "
                f"echo says (spread {error.spread_cm:.1f} cm over {error.pairs:,}): a constant "
                "error, as of a place that was measured wrong"
            )
        elif is_wide or abs(error.bias_cm) > tolerance:
            kind = "scatter"
            summary = f"the published distance and the echo differ: {told}"
        else:
            kind, severity = "agrees", "note"
            summary = f"the published distance is what the echo says: {told}"
        evidence = {
            "kind": kind,
            "pairs": error.pairs,
            "bias_cm": error.bias_cm,
            "spread_cm": error.spread_cm,
            "slope": error.slope,
            "offset_cm": error.offset_cm,
            "distances_cm": list(error.reach_cm),
            "temperature_c": self._sensor.temperature_c,
        }
        t_ns = self._first_pair_ns if self._first_pair_ns is not None else self._words.start_ns
        return self._finding("published-distance", severity, t_ns, summary, evidence)

    def _finding(
        self, rule: str, severity: Severity, t_ns: int, summary: str, evidence: dict[str, Any]
    ) -> Finding:
        name = self._sensor.name
        evidence = {"ranging": name, **evidence}
        source = self._sensor.source if rule == "echo-lost" else ""
        return Finding(t_ns, rule, severity, self._party, source, f"{name}: {summary}", evidence)


class _Values:
    """The distances that the firmware published, in cm."""

    def __init__(self, published: Published) -> None:
        self._per_unit = published.cm_per_unit
        self._selection = Selection(published.table, published.where, _NOBODY)
        if published.field is not None:
            number = value_of(published.table, published.field, Kind.NUMBER).expr()
        else:
            number = pl.col("text").str.extract(published.pattern or "", 1)
        self._number = number.cast(pl.Float64, strict=False)

    def of(self, batch: Batch, capture: str) -> tuple[Ints, Floats]:
        """When, and how far; none of sources whose times mean nothing beside the capture's."""
        rows = self._selection.rows(batch)
        if capture in batch.off_axis:
            rows = rows.clear()
        rows = rows.filter(~pl.col("source").is_in(list(batch.off_axis)))
        values = rows.select(value=self._number)["value"].fill_null(np.nan).to_numpy()
        return rows["t_ns"].to_numpy(), values * self._per_unit


def _signed(value: float) -> str:
    return f"{value:+.1f}"

"""The `steps` table: every change of a set point, how it was followed, and under which gains."""

from __future__ import annotations

import json
from collections.abc import Mapping

import polars as pl

from console.timeline.numbers.gains import gains_set, in_force
from console.timeline.numbers.number_series import NumberSeries, Tables, numbers_of
from console.timeline.numbers.numeric_fields import Packets, numeric_fields
from console.timeline.numbers.step_response import SETTLED_SHARE, StepResponse, step_responses
from console.timeline.numbers.target_pairs import TargetPair, pairs_of_target

SCHEMA: Mapping[str, pl.DataType] = {
    "at_ns": pl.Int64(),  # when the set point changed, common axis
    "until_ns": pl.Int64(),  # the next change, or the last value
    "set_point": pl.String(),  # party and name of the number taken for it
    "measured": pl.String(),
    "unit": pl.String(),
    "from_value": pl.Float64(),
    "target": pl.Float64(),
    "final_value": pl.Float64(),
    "rise_ns": pl.Int64(),  # 10 to 90 %
    "settling_ns": pl.Int64(),  # for good within `settled_percent` of the way
    "settled_percent": pl.Float64(),
    "overshoot_percent": pl.Float64(),
    "peak_ns": pl.Int64(),
    "steady_error": pl.Float64(),  # set point less final value
    "sampled_ns": pl.Int64(),
    "band_ns": pl.Int64(),  # -1: times have no known relation
    "gains": pl.String(),  # JSON: those in force, by name
    "remarks": pl.List(pl.String),
}


def steps_of(
    pair: TargetPair,
    target: NumberSeries,
    measured: NumberSeries,
    settled_share: float = SETTLED_SHARE,
) -> list[StepResponse]:
    """The steps of a pair; two numbers of one source are on one clock."""
    one = (pair.target.table, pair.target.party) == (pair.measured.table, pair.measured.party)
    return step_responses(target, measured, settled_share=settled_share, same_clock=one)


def steps_frame(
    tables: Tables, packets: Packets | None = None, settled_share: float = SETTLED_SHARE
) -> pl.DataFrame:
    """Every step of every number that its name tells to be a set point.

    Args:
        tables: the tables of a run by name, on the common axis.
        packets: packet descriptions by device, for units.
        settled_share: half-width of the band of settling, as a share of the way.
    """
    settings = gains_set(tables)
    rows = []
    for pair in pairs_of_target(numeric_fields(tables, packets)):
        target, measured = numbers_of(tables, pair.target), numbers_of(tables, pair.measured)
        for step in steps_of(pair, target, measured, settled_share):
            gains = in_force(settings, step.at_ns, pair.measured)
            rows.append(_row(pair, step) | {"gains": json.dumps({g.name: g.value for g in gains})})
    return pl.DataFrame(rows, schema=dict(SCHEMA)).sort("at_ns", maintain_order=True)


def _row(pair: TargetPair, step: StepResponse) -> dict[str, object]:
    shown = {name: getattr(step, name) for name in SCHEMA if hasattr(step, name)}
    return shown | {
        "set_point": pair.target.title,
        "measured": pair.measured.title,
        "unit": pair.target.unit or pair.measured.unit,
        "settled_percent": 100 * step.settled_share,
        "remarks": list(step.remarks),
    }

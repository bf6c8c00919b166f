"""Address scans: ascending addresses asked for without data."""

from __future__ import annotations

from functools import reduce

import polars as pl

from console.diagnosis.causes.facts import MS, Facts


def scans_in(facts: Facts) -> pl.DataFrame:
    """The first row of each run of eight ascending addresses without data, within a second."""
    rows = facts.traffic.bus.filter(pl.col("length") == 0)
    if rows.height < 8:
        return rows.clear()
    step = pl.col("address").diff().shift(-1)
    close = (pl.col("start_ns").shift(-7) - pl.col("start_ns")) < 1000 * MS
    rising = reduce(lambda a, b: a & b, [step.shift(-k).is_between(1, 2) for k in range(7)])
    return rows.filter((rising & close).fill_null(value=False))

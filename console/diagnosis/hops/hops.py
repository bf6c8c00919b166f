"""The `hops` table: of each hop how much went over it, was lost on it, and how long it took."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from console.diagnosis.hops.pairs import ANSWER, NOWHERE, PAIR, pairs_of, ways, with_kinds
from console.diagnosis.hops.repeats import arrivals
from console.diagnosis.lifetimes.intervals import share_interval

SCHEMA: Mapping[str, pl.DataType] = {
    "hop": pl.Int64(),  # in the order of the ways, from 0
    "span": pl.String(),  # hop, or answer: from a message to the one that answers it
    "from_party": pl.UInt16(),
    "from_table": pl.String(),
    "from_what": pl.String(),
    "to_party": pl.UInt16(),
    "to_table": pl.String(),
    "to_what": pl.String(),
    "by": pl.String(),  # what tells that they belong together
    "causes": pl.Int64(),  # of which an effect was due and could have been seen
    "seen": pl.Int64(),
    "missing": pl.Int64(),
    "not_observed": pl.Int64(),
    "lost_share": pl.Float64(),  # missing / causes; null without a cause
    "lost_low": pl.Float64(),  # exact 95 % interval (Clopper and Pearson 1934)
    "lost_high": pl.Float64(),
    "latency_p50_ns": pl.Int64(),
    "latency_p90_ns": pl.Int64(),
    "latency_p99_ns": pl.Int64(),
    "latency_most_ns": pl.Int64(),
    "band_ns": pl.Int64(),  # half-width within which a latency is known, the usual one
    "ambiguous": pl.Int64(),  # effects that another cause would explain as well
    "late": pl.Int64(),  # far beyond the others: see `FAR_OUT`
    "bursts": pl.Int64(),  # of late ones that came together
    "repeated": pl.Int64(),  # messages that came again
    "retained": pl.Int64(),  # messages that the broker had kept
}
_NONE = pl.DataFrame(schema=SCHEMA)
# Late is what comes later than the upper quartile by more than so many times the distance of the
# quartiles (and twice the band): "far out" in Tukey, Exploratory Data Analysis (1977), from memory.
FAR_OUT = 3.0
BURST = 3  # late ones that came together
TOGETHER = 0.2  # of the time their causes were apart


def hops_of(tables: Mapping[str, pl.DataFrame], links: pl.DataFrame) -> pl.DataFrame:
    """Every hop of a run.

    Args:
        tables: every table of events by name, on the common axis.
        links: the table of links of the run, parties by number.
    """
    known = with_kinds(tables, links)
    pairs = pairs_of(known)
    if not pairs:
        return _NONE
    places = ways(pairs)
    rows = [
        (*pair.cause, *pair.effect, span, *places.get(pair.cause, NOWHERE))
        for pair, span in pairs.items()
    ]
    wanted = pl.DataFrame(
        rows,
        schema={
            **{name: known.schema[name] for name in PAIR},
            "span": pl.String(),
            "way": pl.Int64(),
            "depth": pl.Int64(),
        },
        orient="row",
    )
    own = known.join(wanted, on=PAIR, how="inner", maintain_order="left")
    counted = own.group_by([*PAIR, "span", "way", "depth"], maintain_order=True).agg(*_counts())
    told = counted.join(_late(own), on=PAIR, how="left", maintain_order="left")
    told = told.join(arrivals(tables, wanted), on=PAIR, how="left", maintain_order="left")
    begins = pl.col("first_ns").min().over("span", "way")
    ordered = told.sort(
        pl.col("span") == ANSWER, begins, "way", "depth", "first_ns", maintain_order=True
    ).with_row_index("hop")
    return _with_shares(ordered).select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())


def _counts() -> list[pl.Expr]:
    outcome, latency = pl.col("outcome"), pl.col("latency_ns")
    seen = outcome == "seen"
    return [
        pl.col("by").mode().sort().first(),
        (outcome != "not-observed").sum().alias("causes"),
        seen.sum().alias("seen"),
        (outcome == "missing").sum().alias("missing"),
        (outcome == "not-observed").sum().alias("not_observed"),
        *(
            latency.quantile(share, "nearest").alias(f"latency_{name}_ns")
            for name, share in (("p50", 0.5), ("p90", 0.9), ("p99", 0.99), ("most", 1.0))
        ),
        pl.col("band_ns").filter(seen).median().alias("band_ns"),
        (pl.col("ambiguous") & seen).sum().alias("ambiguous"),
        pl.col("from_ns").min().alias("first_ns"),
    ]


def _late(own: pl.DataFrame) -> pl.DataFrame:
    """Late effects of each pair, and how many times some of them came together."""
    latency = pl.col("latency_ns")
    low, high = (
        latency.quantile(0.25, "nearest").over(PAIR),
        latency.quantile(0.75, "nearest").over(PAIR),
    )
    beyond = high + FAR_OUT * (high - low) + 2 * pl.col("band_ns")
    late = own.filter(outcome="seen").filter(latency > beyond).sort("to_ns", maintain_order=True)
    came, began = pl.col("to_ns").diff().over(PAIR), pl.col("from_ns").diff().over(PAIR)
    joins = ((came >= 0) & (came <= TOGETHER * began.abs())).fill_null(value=False)
    runs = late.with_columns(run=(~joins).cum_sum().over(PAIR))
    sizes = runs.group_by([*PAIR, "run"]).len()
    bursts = sizes.group_by(PAIR).agg(bursts=(pl.col("len") >= BURST).sum())
    return late.group_by(PAIR).agg(late=pl.len()).join(bursts, on=PAIR, how="left")


def _with_shares(frame: pl.DataFrame) -> pl.DataFrame:
    """With the share that was lost and its exact interval; a row a hop, so there are few."""
    causes, missing = frame["causes"].to_list(), frame["missing"].to_list()
    bounds = [
        share_interval(m, n) if n else (None, None) for m, n in zip(missing, causes, strict=True)
    ]
    return frame.with_columns(
        lost_share=pl.when(pl.col("causes") > 0).then(pl.col("missing") / pl.col("causes")),
        lost_low=pl.Series([low for low, _ in bounds], dtype=pl.Float64),
        lost_high=pl.Series([high for _, high in bounds], dtype=pl.Float64),
        late=pl.col("late").fill_null(0),
        bursts=pl.col("bursts").fill_null(0),
        repeated=pl.col("repeated").fill_null(0),
        retained=pl.col("retained").fill_null(0),
    )

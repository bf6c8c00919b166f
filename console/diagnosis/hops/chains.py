"""The `chains` table: of each command and each reading how far it came, and where it was lost."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.hops.pairs import HOP, PAIR, pairs_of, with_kinds

Int64s = npt.NDArray[np.int64]

SCHEMA: Mapping[str, pl.DataType] = {
    "t_ns": pl.Int64(),  # when it began
    "from_table": pl.String(),  # the event it began with
    "from_row": pl.UInt32(),
    "from_party": pl.UInt16(),
    "from_what": pl.String(),
    "rungs": pl.Int64(),  # hops that were seen
    "outcome": pl.String(),  # complete, lost, not-observed
    "lost_at": pl.String(),  # kind of the effect that did not come; null of a complete one
    "lost_party": pl.UInt16(),  # to whom
    "last_ns": pl.Int64(),  # its last event that was seen
    "took_ns": pl.Int64(),  # until then
    "ambiguous": pl.Boolean(),  # one of its joins would do for another as well
}


def chains_of(tables: Mapping[str, pl.DataFrame], links: pl.DataFrame) -> pl.DataFrame:
    """Every chain of a run by when it began.

    A chain begins with an event that has no cause and has an effect, or lacks one. It is complete
    when all that was due to its events came.

    Args:
        tables: every table of events by name, on the common axis.
        links: the table of links, parties by number.
    """
    known = with_kinds(tables, links)
    hops = [pair for pair, span in pairs_of(known).items() if span == HOP]
    if not hops:
        return pl.DataFrame(schema=SCHEMA)
    wanted = pl.DataFrame(
        [(*pair.cause, *pair.effect) for pair in hops],
        schema={name: known.schema[name] for name in PAIR},
        orient="row",
    )
    own = known.drop_nulls("from_row").join(wanted, on=PAIR, how="semi", maintain_order="left")
    ends = _numbered(own)
    roots = _roots(ends["cause"].to_numpy(), ends["effect"].to_numpy())
    rows = own.with_columns(root=pl.Series(roots[ends["cause"].to_numpy()]))
    first = _firsts(own, ends, roots)
    return _told(rows, first)


def _numbered(own: pl.DataFrame) -> pl.DataFrame:
    """Of each link the numbers of its events, from 0; -1 for an effect that did not come."""
    key = pl.struct("table", "row")
    causes = own.select(table="from_table", row=pl.col("from_row").cast(pl.Int64))
    effects = own.select(table="to_table", row=pl.col("to_row").cast(pl.Int64).fill_null(-1))
    both = pl.concat([causes, effects]).select(n=key.rank("dense").cast(pl.Int64) - 1)["n"]
    came = own["to_row"].is_not_null()
    return pl.DataFrame({"cause": both[: own.height], "effect": both[own.height :]}).with_columns(
        effect=pl.when(came).then("effect").otherwise(-1)
    )


def _roots(cause: Int64s, effect: Int64s) -> Int64s:
    """Of each event the first of its chain, by doubling steps up the causes."""
    size = int(max(cause.max(initial=-1), effect.max(initial=-1))) + 1
    parent = np.arange(size)
    came = effect >= 0
    parent[effect[came]] = cause[came]
    for _ in range(size.bit_length()):
        above = parent[parent]
        if (above == parent).all():
            break
        parent = above
    return parent


def _firsts(own: pl.DataFrame, ends: pl.DataFrame, roots: Int64s) -> pl.DataFrame:
    """The events that chains begin with."""
    cause = ends["cause"].to_numpy()
    return (
        own.with_columns(root=pl.Series(cause))
        .filter(pl.Series(roots[cause] == cause))
        .unique("root", keep="first", maintain_order=True)
        .select("root", "from_table", "from_row", "from_party", "from_what", t_ns="from_ns")
    )


def _told(rows: pl.DataFrame, first: pl.DataFrame) -> pl.DataFrame:
    seen = pl.col("outcome") == "seen"
    lost = pl.col("outcome") == "missing"
    not_seen = pl.col("outcome") == "not-observed"
    told = rows.group_by("root").agg(
        rungs=seen.sum().cast(pl.Int64),
        outcome=pl.when(lost.any())
        .then(pl.lit("lost"))
        .when(not_seen.any())
        .then(pl.lit("not-observed"))
        .otherwise(pl.lit("complete")),
        lost_at=pl.col("to_what").filter(~seen).first(),
        lost_party=pl.col("to_party").filter(~seen).first(),
        last_ns=pl.max_horizontal(
            pl.col("from_ns").max(), pl.col("to_ns").filter(seen).max().fill_null(-(2**62))
        ),
        ambiguous=(pl.col("ambiguous") & seen).any(),
    )
    return (
        first.join(told, on="root", how="inner")
        .with_columns(took_ns=pl.col("last_ns") - pl.col("t_ns"))
        .sort("t_ns", "from_row")
        .select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())
    )

"""Messages that came again, and those a broker had kept, by the hop they came over."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from console.diagnosis.hops.pairs import PAIR

AGAIN_NS = 60_000_000_000  # within which the same payload is the same message come again
OWN = 0.95  # of payloads that are seen once, for a topic whose every message says something else


def arrivals(tables: Mapping[str, pl.DataFrame], pairs: pl.DataFrame) -> pl.DataFrame:
    """Of each pair whose effect is a message: how many came again, how many were retained.

    A message came again when it is marked as a duplicate, or when a topic whose every message says
    something else (it counts) says the same twice within a minute.

    Args:
        tables: every table of events by name.
        pairs: the pairs, by the columns of `PAIR`.
    """
    counted = (
        _again(tables["messages"])
        .group_by("topic")
        .agg(repeated=pl.col("again").sum(), retained=pl.col("retain").sum())
    )
    topics = pairs.filter(to_table="messages").select(PAIR)
    return topics.join(
        counted, left_on="to_what", right_on="topic", how="left", maintain_order="left"
    ).select(*PAIR, "repeated", "retained")


def _again(messages: pl.DataFrame) -> pl.DataFrame:
    """Each message with whether it came again."""
    first = pl.col("t_ns").shift(1).over("topic", "payload")
    counts = pl.col("payload").n_unique().over("topic") >= OWN * pl.len().over("topic")
    same = ((pl.col("t_ns") - first) <= AGAIN_NS).fill_null(value=False) & counts
    marked = pl.col("duplicate").fill_null(value=False)
    return messages.select(
        "topic", again=marked | same, retain=pl.col("retain").fill_null(value=False)
    )

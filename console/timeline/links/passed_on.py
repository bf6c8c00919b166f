"""Messages that a broker passed on: what a network capture saw before, on the way to the broker."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import polars as pl

_KEY = "{}\n{}"


def published_in(tables: Mapping[str, pl.DataFrame]) -> Collection[tuple[str, str]]:
    """Sources and topics of messages that were seen on their way to the broker."""
    messages = tables.get("messages")
    if messages is None or "direction" not in messages.columns:
        return ()
    sent = messages.filter(pl.col("direction") == "to-broker").select("source", "topic")
    pairs = sent.drop_nulls().unique().iter_rows()
    return [(str(source), str(topic)) for source, topic in pairs]


def passed_on(published: Collection[tuple[str, str]]) -> pl.Expr:
    """Of rows of messages, without nulls: those that the broker passed on of these."""
    keys = [_KEY.format(*pair) for pair in published]
    key = pl.format(_KEY, "source", "topic").is_in(keys)
    passed = (pl.col("direction") == "from-broker") & key
    return passed.fill_null(value=False)

"""What answers what, and within what time: from the links that were seen, as rules to propose."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from console.bench.model import Bench
from console.bench.proposed import Proposed
from console.timeline.links.kinds import sentences
from console.timeline.links.table import links_of
from console.timeline.parties import parties_of
from decoders.durations import in_words

QUANTILE = 0.999
MARGIN = 1.0  # of the quantile, on top of it
BEYOND_SEEN = 1.25  # a reply is allowed to take so much longer than the slowest seen
FEWEST = 20
ANSWERED = 0.999  # share of the requests that must have had one
_TABLES = ("prints", "messages")


def answered(bench: Bench, tables: Mapping[str, pl.DataFrame]) -> Iterator[Proposed]:
    """A rule for each kind of print or message that always has a consequence."""
    links = links_of(tables, parties_of(tables, bench), {})
    seen = links.filter(
        (pl.col("outcome") == "seen")
        & pl.col("from_table").is_in(_TABLES)
        & pl.col("to_table").is_in(_TABLES)
        & (pl.col("latency_ns") >= 0)
    )
    if not seen.height:
        return
    named = {table: _kinds(tables[table], table) for table in _TABLES}
    for (from_table, to_table), pairs in seen.partition_by(
        "from_table", "to_table", as_dict=True, maintain_order=True
    ).items():
        cause, effect = named[str(from_table)], named[str(to_table)]
        both = pairs.select(
            "latency_ns",
            "band_ns",
            cause=cause["kind"].gather(pairs["from_row"]),
            cause_where=cause["where"].gather(pairs["from_row"]),
            effect=effect["kind"].gather(pairs["to_row"]),
            effect_where=effect["where"].gather(pairs["to_row"]),
        )
        counts = dict(cause.group_by("where").len().rows())
        keys = ["cause_where", "effect_where"]
        for (asked, told), part in both.partition_by(
            keys, as_dict=True, maintain_order=True
        ).items():
            if part.height >= FEWEST and part.height >= ANSWERED * counts[asked]:
                yield _within(part, str(from_table), str(asked), str(to_table), str(told))


def _within(part: pl.DataFrame, from_table: str, asked: str, to_table: str, told: str) -> Proposed:
    latency = part["latency_ns"].to_numpy()
    usual, longest = float(np.quantile(latency, QUANTILE)), float(latency.max())
    allowed_ns = max(usual * (1 + MARGIN), longest * BEYOND_SEEN)
    step = 10.0 ** (np.floor(np.log10(max(allowed_ns, 1))) - 1)
    within_s = float(np.ceil(allowed_ns / step) * step) / 1e9
    why = (
        f"{part.height:,} times {part['effect'][0]} followed {part['cause'][0]}: {QUANTILE:.1%} "
        f"within {in_words(round(usual))}, the slowest after {in_words(round(longest))}.",
        f"Allowed: the first and {MARGIN:.0%}, or {BEYOND_SEEN:g} times the second where that is "
        "more.",
    )
    return Proposed(
        why,
        {
            "kind": "reply-within",
            "request_table": from_table,
            "request_where": asked,
            "reply_table": to_table,
            "reply_where": told,
            "within_s": float(f"{within_s:.9g}"),
        },
    )


def _kinds(frame: pl.DataFrame, table: str) -> pl.DataFrame:
    """The kind of every row, and the condition for its kind."""
    if table == "messages":
        topic = pl.col("topic")
        return frame.select(kind=topic, where=pl.format("topic = '{}'", _quoted(topic)))
    sentence = sentences()
    pattern = _quoted(sentence).str.replace_all("#", "%", literal=True)
    return frame.select(
        kind=sentence,
        where=pl.format("source = '{}' AND text LIKE '{}'", _quoted(pl.col("source")), pattern),
    )


def _quoted(text: pl.Expr) -> pl.Expr:
    return text.str.replace_all("'", "''", literal=True)

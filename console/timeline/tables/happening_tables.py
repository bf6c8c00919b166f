"""What happened to recorded sources themselves, as a table on the host's clock."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from console.bench.tables import TABLES
from console.sources.records import Happened


def happenings_frame(rows: Sequence[Happened], times_ns: Sequence[int]) -> pl.DataFrame:
    """The `happenings` of some sources, in the order given, without `band_ns`.

    Args:
        rows: n happenings.
        times_ns: their n times, ns since 1970.
    """
    schema = {name: kind for name, kind in TABLES["happenings"].items() if name != "band_ns"}
    columns = {
        "t_ns": list(times_ns),
        "source": [row.source for row in rows],
        "what": [row.what for row in rows],
        "detail": [row.detail for row in rows],
    }
    return pl.DataFrame(columns, schema=schema)

"""Numbers at one path of many JSON texts, without reading each text as a whole where that is safe.

The JSON columns of the tables are compact (no spaces between tokens) and name each member once. A
quote inside a string has a backslash before it, so `"name":` is a member wherever it stands. It is
the wanted one where no object holds another, or where the name is known to stand nowhere else; any
other text goes through a JSON parser, which takes five times as long.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Step = str | int

NUMBER = r"-?[0-9][0-9.eE+-]*"  # RFC 8259 section 6, as loose as its writer allows
_LEAST_SHARED = 100_000  # rows from which on a second thread is worth its start


def json_numbers(texts: pl.Series, steps: Sequence[Step], nth: int | None = None) -> Floats:
    """The number at one path of every text.

    Args:
        texts: String[n] compact JSON, null where there is none.
        steps: member names and positions; no name has a quote or a backslash.
        nth: where the last name is known to stand for nothing else in these texts: which of its
            occurrences is meant, from 0.

    Returns:
        float64[n]; not-a-number where there is no number.
    """
    text = pl.col("text")
    if len(steps) == 1 and _are_flat(texts):
        found = text.str.extract(rf'[{{,]"{re.escape(str(steps[0]))}":({NUMBER})[,}}]', 1)
    elif nth is not None:
        cut = text.str.splitn(f'"{steps[-1]}":', nth + 2).struct.field(f"field_{nth + 1}")
        found = cut.str.extract(f"^({NUMBER})", 1)
    else:
        return _parsed(texts, steps)
    return floats(each_row(texts, found.cast(pl.Float64, strict=False)))


def _parsed(texts: pl.Series, steps: Sequence[Step]) -> Floats:
    """By a JSON parser. It gives a text as it gives a number, so what may be one is read again."""
    found = each_row(texts, pl.col("text").str.json_path_match(_json_path(steps)))
    values = floats(found.cast(pl.Float64, strict=False))
    rows = pl.DataFrame({"text": texts, "found": found})
    quoted = pl.col("text").str.contains(pl.format('"{}"', pl.col("found")), literal=True)
    may_be_text = rows.select(quoted.fill_null(value=False)).to_series().to_numpy()
    for row in np.flatnonzero(may_be_text & ~np.isnan(values)).tolist():  # mostly none; 2 us each
        values[row] = _number_in(str(texts[row]), steps)
    return values


def _number_in(text: str, steps: Sequence[Step]) -> float:
    value: Any = msgspec.json.decode(text)
    for step in steps:
        value = value[step]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else float("nan")


def each_row(texts: pl.Series, expr: pl.Expr) -> pl.Series:
    """An expression over the column `text`, the rows shared out to the threads there are.

    Args:
        texts: String[n].
        expr: gives one value for each row, which depends on that row alone.
    """
    count = 1 if len(texts) < _LEAST_SHARED else pl.thread_pool_size()
    cuts = np.linspace(0, len(texts), count + 1).astype(int).tolist()
    parts = [
        pl.DataFrame({"text": texts.slice(a, b - a)}).lazy().select(expr.alias("found"))
        for a, b in pairwise(cuts)
    ]
    return pl.concat(pl.collect_all(parts))["found"]


def floats(values: pl.Series) -> Floats:
    """A copy as float64, not-a-number where there is none."""
    return np.array(values.cast(pl.Float64).fill_null(float("nan")).to_numpy(), np.float64)


def _are_flat(texts: pl.Series) -> bool:
    """Whether each text is at most one object with no object in it."""
    most = each_row(texts, pl.col("text").str.count_matches("{", literal=True)).max()
    return most is None or (isinstance(most, int) and most <= 1)


def _json_path(steps: Sequence[Step]) -> str:
    return "$" + "".join(f"[{s}]" if isinstance(s, int) else f"['{s}']" for s in steps)

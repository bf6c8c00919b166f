"""Lines with which firmware says that it boots. It has no standard words; these are the stems."""

from __future__ import annotations

import polars as pl

BOOT = (
    r"(?i)\bboot|reset (by|cause|reason)|\brst:|power-on reset|starting up|watchdog reset"
    r"|cold start"
)


def say_boot(texts: pl.Series) -> pl.Series:
    """bool[n]: which lines do."""
    return texts.str.contains(BOOT).fill_null(value=False)

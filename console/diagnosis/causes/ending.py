"""Where a device's life ended though no rule calls it a stop: asked no more, or given up."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes.traffic import WHOLE, polls_of, runs_of
from console.diagnosis.scene import Int64s

_POLLS = 6  # polls missed, or given up, in a row
_REGULAR = 4.0  # times the median that 95 of 100 gaps between polls stay below
_FEWEST = 12


def end_of_life(own: pl.DataFrame, until_ns: int) -> int | None:
    """When a device that was polled regularly was no more, or when all its transfers broke off.

    Args:
        own: its transactions.
        until_ns: until when its bus was observed.

    Returns:
        ns on the common axis; None while it is polled and answers.
    """
    starts = polls_of(own)["start_ns"].to_numpy()
    if len(starts) < _FEWEST:
        return None
    return _broken_off(own) or _asked_no_more(starts, until_ns)


def _asked_no_more(starts: Int64s, until_ns: int) -> int | None:
    gaps = np.diff(starts)
    period = float(np.median(gaps))
    regular = float(np.percentile(gaps, 95)) < _REGULAR * period
    silent = until_ns - int(starts[-1]) > _POLLS * period
    return int(starts[-1] + period) if regular and silent else None


def _broken_off(own: pl.DataFrame) -> int | None:
    """The first of the transfers at the end that all were left unfinished."""
    left = own["ended_by"].is_in(["start", "cut", "stuck"]) & ~own["problems"].list.contains(
        "ends-cut"
    )
    whole_read = (own.select(WHOLE & pl.col("read")).to_series()) & ~left
    begins, lengths = runs_of((~whole_read).to_numpy())
    if not len(begins) or begins[-1] + lengths[-1] != own.height:
        return None
    tail = own.slice(int(begins[-1]))
    lost = left.slice(int(begins[-1]))
    if lost.sum() < _POLLS or not whole_read.any():
        return None
    return int(tail.filter(lost)["start_ns"][0])

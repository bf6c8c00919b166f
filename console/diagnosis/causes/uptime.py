"""How long a board had been up at a moment, and which tick counters wrap there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.lifetimes.limits import WRAPS

_SLACK_NS = 200_000_000  # a poll, or a second comparison, after the wrap
_POLLS = 2.5
_OFTEN = 0.02  # a wrap whose neighbourhood covers more of its period says nothing


@dataclass(frozen=True, slots=True)
class NearWrap:
    """A tick that wraps near a moment."""

    name: str
    past_ns: int  # since the wrap; negative before it


def uptime_at(prints: pl.DataFrame, t_ns: int) -> int | None:
    """The board's own time at a moment, rollovers undone, by the nearest stamped print.

    A board's crystal is off by 1e-4 at most, so over a minute to the nearest print this errs by
    6 ms.

    Args:
        prints: whose times lie on the moment's clock.
        t_ns: the moment.
    """
    prints = prints.filter(pl.col("native_ns").is_not_null())
    if not prints.height:
        return None
    times = prints["t_ns"].to_numpy()
    at = int(np.argmin(np.abs(times - t_ns)))
    if abs(int(times[at]) - t_ns) > 60_000_000_000:
        return None
    return int(prints["native_ns"][at]) + t_ns - int(times[at])


def near_wrap(uptime_ns: int, period_ns: int) -> NearWrap | None:
    """The slowest tick that wrapped within a poll or two of an uptime."""
    slack = max(int(_POLLS * period_ns), _SLACK_NS)
    for wrap in reversed(WRAPS):
        past = uptime_ns % wrap.period_ns
        past = past if past < wrap.period_ns // 2 else past - wrap.period_ns
        reached = uptime_ns - past >= wrap.period_ns
        if reached and -slack <= past <= slack and 2 * slack < _OFTEN * wrap.period_ns:
            return NearWrap(wrap.name, past)
    return None

"""Work that went on steadily and then ended: lines of one kind, told by their words."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.scene import Scene

_FEWEST = 10
_PERIODS = 10.0  # of its own, after which it counts as ended


def work_ended(scene: Scene) -> int | None:
    """The first moment at which a kind of line that came steadily came for the last time.

    Lines are of one kind when they are alike but for their digits. The log itself must go on.
    """
    prints = scene.table("prints").filter(pl.col("t_ns").is_not_null())
    if prints.height < 2 * _FEWEST:
        return None
    kinds = prints.with_columns(kind=pl.col("text").str.replace_all(r"[0-9a-fA-F]*\d[\d.]*", "#"))
    last_of_all = int(prints["t_ns"][-1])
    ended = []
    for rows in kinds.partition_by("source", "kind"):
        times = rows["t_ns"].to_numpy()
        if len(times) < _FEWEST:
            continue
        steps = np.diff(times)
        period = float(np.median(steps))
        steady = float(np.percentile(steps, 95)) < 2 * period
        if steady and last_of_all - int(times[-1]) > _PERIODS * max(period, 1):
            ended.append(int(times[-1]) + int(period))
    return min(ended, default=None)

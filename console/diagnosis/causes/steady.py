"""Work that went on steadily and then ended: lines of one kind, told by their words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.causes.prints_near import COMPLAINT
from console.diagnosis.scene import Scene

_FEWEST = 10
_PERIODS = 10.0  # of its own, after which it counts as ended


@dataclass(frozen=True, slots=True)
class Ended:
    """When a kind of line was due that did not come any more."""

    source: str
    t_ns: int  # by that source's clock


def work_ended(scene: Scene) -> Ended | None:
    """The first moment at which a kind of line that came steadily came for the last time.

    Lines are of one kind when they are alike but for their digits. The log itself must go on, and
    be recorded while they were due.
    """
    prints = scene.table("prints").filter(pl.col("t_ns").is_not_null())
    if prints.height < 2 * _FEWEST:
        return None
    kinds = prints.with_columns(kind=pl.col("text").str.replace_all(r"[0-9a-fA-F]*\d[\d.]*", "#"))
    ended = []
    for rows in kinds.partition_by("source", "kind"):
        times = rows["t_ns"].to_numpy()
        if len(times) < _FEWEST:
            continue
        steps = np.diff(times)
        period = float(np.median(steps))
        steady = float(np.percentile(steps, 95)) < 2 * period
        due = int(times[-1]), int(times[-1] + _PERIODS * max(period, 1))
        source = str(rows["source"][0])
        if steady and _goes_on(scene, prints, source, due):
            ended.append(Ended(source, due[0] + int(period)))
    return min(ended, key=lambda each: each.t_ns, default=None)


def _goes_on(scene: Scene, prints: pl.DataFrame, source: str, span_ns: tuple[int, int]) -> bool:
    """Whether a log has lines after a span, and was recorded over all of it."""
    own = prints.filter(pl.col("source") == source)
    last = int(own["t_ns"].max())  # type: ignore[arg-type]
    logs = [each for each in scene.sources if each.name == source]
    return last > span_ns[1] and all(each.recorded(*span_ns) for each in logs)


# Behind a tag in brackets, or a bus and a colon: `[i2c] torque err -1`, `i2c: torque err -1`.
_PARTY = r"(?i)^(?:\W*\[\w+\])?\W*(?:(?:i2c|smbus|bus)\W+)?(?:read\s+)?([a-z_][\w-]*)"


def lasting_complaint(scene: Scene) -> tuple[str, int | None]:
    """A party that answered, and of which the log complains from one moment to its end.

    Parties on captured buses are left out: their wire tells more.

    Returns:
        Its name and the first complaint of those that no good line follows; "" and None.
    """
    prints = scene.table("prints").with_columns(
        party=pl.col("text").str.extract(_PARTY).str.to_lowercase(),
        bad=pl.col("text").str.contains(COMPLAINT),
    )
    described = scene.table("packets")["device"].unique().drop_nulls()
    known = {str(each).lower() for each in (*described, *scene.devices)}
    for rows in prints.drop_nulls("party").partition_by("party", maintain_order=True):
        party = str(rows["party"][0])
        good = rows.filter(~pl.col("bad"))
        if party in known or good.height < _FEWEST:
            continue
        after = rows.filter(pl.col("t_ns") > int(good["t_ns"][-1]))
        if after.height >= _FEWEST // 2:
            return party, int(after["t_ns"][0])
    return "", None

"""Which replies of a device are wrong, as far as anything in the run tells."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes.traffic import Traffic
from console.diagnosis.scene import Int64s, Scene

# All bits one: nobody drives SDA (UM10204 section 3.1.1); all zero: what many parts send unready.
# A check byte may follow: then it is the device that says so.
FILLER = r"^(?:(?:ff){2,}(?:..)?|(?:00){2,}(?:..)?)$"
ONES = r"^(?:ff){2,}$"
_RARE = 0.5  # filler in more replies than this is the device's usual content


def bad_replies(scene: Scene, traffic: Traffic) -> pl.DataFrame | None:
    """The replies that are filler, or that a packet, an exchange, a PEC or a print calls wrong.

    None where nothing could tell: no reply is filler and nothing describes the device.
    """
    replies = traffic.replies
    if not replies.height:
        return None
    filler = replies["data"].str.contains(FILLER)
    usual = float(filler.mean() or 0.0) > _RARE and not scene.episode.failed  # type: ignore[arg-type]
    pec = replies["problems"].list.contains("pec")
    wrong_ns = _called_wrong(scene)
    called = np.greater(
        wrong_ns.searchsorted(replies["end_ns"].to_numpy(), "right"),
        wrong_ns.searchsorted(replies["start_ns"].to_numpy(), "left"),
    )
    dead = replies["start_ns"] >= traffic.first_bad_ns
    told = dead if scene.episode.how in ("filler", "invalid") else dead & False
    mask = pec | pl.Series(called) | told
    if not usual:
        mask = mask | filler
    described = scene.table("packets").height > 0 or bool(pec.any())
    return replies.filter(mask) if described or bool(mask.any()) else None


def _called_wrong(scene: Scene) -> Int64s:
    """Moments inside replies that packets or exchanges call wrong, sorted."""
    device = scene.episode.device
    packets = scene.table("packets").filter((pl.col("device") == device) & ~pl.col("valid"))
    exchanges = scene.table("exchanges").filter(
        (pl.col("device") == device) & (pl.col("outcome") == "invalid")
    )
    times: Int64s = (
        pl.concat([packets["end_ns"], exchanges["reply_ns"].drop_nulls()]).sort().to_numpy()
    )
    return times

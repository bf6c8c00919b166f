"""Whether replies carry a check code that some of them fail."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes.facts import Facts
from console.diagnosis.replies.check_code_search import search

_MOST = 256  # replies that a code is looked for in
_SHARE = 0.9  # of them that it fits


def fail_their_check(facts: Facts, rows: pl.DataFrame) -> bool:
    """Whether replies have a wrong PEC, or not the check code that others to one request carry.

    Args:
        facts: of the scene.
        rows: some of the device's replies; the first stands for all.
    """
    if not rows.height:
        return False
    if rows["problems"].list.contains("pec").any():
        return True
    asked, length, data = rows.select("asked", "length", "data").row(0)
    alike = facts.traffic.replies.filter(
        (pl.col("asked") == asked)
        & (pl.col("length") == length)
        & ~pl.col("start_ns").is_in(rows["start_ns"].implode())
    )
    read = bytes([((facts.scene.episode.address or 0) << 1 | 1) & 0xFF])
    frames = [bytes.fromhex(each) for each in alike["data"].head(_MOST)]
    wrong = np.frombuffer(bytes.fromhex(data), np.uint8).reshape(1, -1)
    found = [hit for hit in search(frames, [read], every=False) if hit.share >= _SHARE]
    return bool(found) and not any(hit.formula.fits(wrong)[0] for hit in found)

"""Whether a device lost what its firmware had set up: registers and scale at their defaults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.causes.content import commonest
from console.diagnosis.causes.facts import MS, Facts

Floats = npt.NDArray[np.float64]

_JUMP = 6.0  # spreads by which the content's level jumps
_SETUP_NS = 2_000 * MS  # after the first transaction or a boot, in which a device is set up
_FEWEST = 12
_LATEST = 400  # replies


@dataclass(frozen=True, slots=True)
class SetupLost:
    """What became of a device's set-up."""

    written: int  # set-up writes seen
    changed: bool
    words: str
    from_ns: int
    written_again: bool
    reads_back: bool  # a register reads as another value than it was set to


def setup_lost(facts: Facts) -> SetupLost | None:
    """Compare what was written once with what is read back, and the content before and after.

    None where the capture does not show the device's first transactions.
    """
    writes = _setup_writes(facts)
    if not writes.height and _began_before(facts):
        return None
    back = _read_back(facts, writes)
    jump = _level_jump(facts)
    at = back or jump
    words = (
        "a register that was set up reads as another value"
        if back
        else "the level of its content jumps at once, and stays"
    )
    again = at is not None and _again(facts, writes, at)
    return SetupLost(writes.height, at is not None, words, at or 0, again, back is not None)


def _setup_writes(facts: Facts) -> pl.DataFrame:
    """Writes of a register with a value that come in no poll."""
    own = facts.traffic.own.filter(~pl.col("read") & (pl.col("length") >= 2) & pl.col("answered"))
    counts = own["data"].str.slice(0, 2).value_counts()
    rare = counts.filter(pl.col("count") <= max(3, 0.05 * facts.traffic.own.height))
    return own.filter(pl.col("data").str.slice(0, 2).is_in(rare["data"].implode()))


def _began_before(facts: Facts) -> bool:
    """Whether the device was polled when the capture began."""
    return facts.life[0] - facts.scene.start_ns < max(facts.traffic.period_ns, MS)


def _read_back(facts: Facts, writes: pl.DataFrame) -> int | None:
    """When a register first read as another value than it was set to and had read as before."""
    replies = facts.traffic.replies
    for register, value in zip(
        writes["data"].str.slice(0, 2), writes["data"].str.slice(2), strict=True
    ):
        rows = replies.filter(pl.col("asked") == register)
        same = rows["data"].str.slice(0, len(value)) == value
        if same.sum() >= 2 and not same.all():
            other = rows.filter(~same)
            last_same = int(rows.filter(same)["start_ns"][-1])
            if other.height >= 2 and int(other["start_ns"][0]) > last_same:
                return int(other["start_ns"][0])
    return None


def _level_jump(facts: Facts) -> int | None:
    """When the content's level jumped at once and stayed, in a device that was set up once."""
    common = commonest(facts.traffic.replies).tail(_LATEST)
    if common.height < 2 * _FEWEST:
        return None
    length = int(common["length"][0])
    table: Floats = np.array(
        [list(bytes.fromhex(data)) for data in common["data"].to_list()], np.float64
    ).reshape(-1, length)
    jumps = [_jump(column) for column in table.T]
    best, at = max(jumps, default=(0.0, 0))
    return int(common["start_ns"][at]) if best > _JUMP else None


def _jump(column: Floats) -> tuple[float, int]:
    """The largest jump of one byte, in spreads, and where."""
    cuts = range(_FEWEST, len(column) - _FEWEST + 1)
    score, cut = max((_step(column, cut), -cut) for cut in cuts)
    return (score, -cut) if score and not _goes_round(column, -cut) else (0.0, 0)


def _goes_round(column: Floats, cut: int) -> bool:
    """Whether the byte goes on behind a cut as it does everywhere, modulo 256: FF is next to 00."""
    steps = np.abs((np.diff(column) + 128) % 256 - 128)
    return bool(steps[cut - 1] <= np.percentile(np.delete(steps, cut - 1), 99))


def _step(column: Floats, cut: int) -> float:
    """The jump at a cut in spreads of what lies on both sides, and beyond the reach of both."""
    before, after = column[:cut], column[cut:]
    if before.max() >= after.min() and after.max() >= before.min():
        return 0.0
    spread = max(float(before.std()), float(after.std()), 1.0)
    return float(abs(np.median(after) - np.median(before)) / spread)


def _again(facts: Facts, writes: pl.DataFrame, at_ns: int) -> bool:
    first = facts.life[0] + _SETUP_NS
    later = writes.filter(pl.col("start_ns") > max(first, at_ns))
    return later.height > 0

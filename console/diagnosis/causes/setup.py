"""Whether a device lost what its firmware had set up: registers and scale at their defaults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.causes.content import bytes_of, commonest
from console.diagnosis.causes.facts import MS, Facts

Floats = npt.NDArray[np.float64]

_JUMP = 6.0  # spreads by which the content's level jumps
_SETUP_NS = 2_000 * MS  # after the first transaction or a boot, in which a device is set up
_FEWEST = 12
_LATEST = 400  # replies
_COUNTS = 0.95  # share of the steps that are one count
_SELDOM = 0.02  # of the replies


@dataclass(frozen=True, slots=True)
class SetupLost:
    """What became of a device's set-up."""

    written: int  # set-up writes seen
    changed: bool | None  # None: its content changed, and nothing tells whether its set-up did
    words: str  # what was seen
    from_ns: int = 0
    written_again: bool = False
    reads_back: bool = False  # a register reads as another value than it was set to


@dataclass(frozen=True, slots=True)
class _Jump:
    """Where the content's level jumped at once and stayed."""

    last_ns: int  # of the last reply before
    from_ns: int  # of the first reply after
    anew: bool  # with it a byte that counted begins at 0


def setup_lost(facts: Facts) -> SetupLost | None:
    """Compare what was written once with what is read back, and the content before and after.

    None where the capture does not show the device's first transactions.
    """
    writes = _setup_writes(facts)
    if not writes.height and _began_before(facts):
        return None
    back = _read_back(facts, writes)
    if back is not None:
        words = "a register that was set up reads as another value"
        again = _again(facts, writes, back)
        return SetupLost(writes.height, True, words, back, again, reads_back=True)
    jump = _level_jump(facts)
    if jump is None:
        words = "its content and its registers are as they were set up"
        return SetupLost(writes.height, False, words)
    changed, words = _told_of(facts, writes, jump)
    again = _again(facts, writes, jump.last_ns)
    return SetupLost(writes.height, changed, words, jump.from_ns, again)


def _told_of(facts: Facts, writes: pl.DataFrame, jump: _Jump) -> tuple[bool | None, str]:
    """Whether the device restarted as its content jumped: what it measures may jump as well."""
    if _still_set(facts, writes, jump.from_ns):
        return False, "its content jumps, and a register reads as it was set up"
    if jump.anew:
        return True, "the level of its content jumps at once, and stays, as its count begins anew"
    if _was_away(facts, jump):
        return True, "the level of its content jumps at once, and stays, after it did not answer"
    return None, "whether it restarted: its content jumps once, which what it measures may do too"


def _still_set(facts: Facts, writes: pl.DataFrame, from_ns: int) -> bool:
    """Whether a register was read from then on, and as it was set."""
    later = facts.traffic.replies.filter(pl.col("start_ns") >= from_ns)
    set_to = zip(writes["data"].str.slice(0, 2), writes["data"].str.slice(2), strict=True)
    return any(
        bool(((later["asked"] == register) & later["data"].str.starts_with(value)).any())
        for register, value in set_to
    )


def _was_away(facts: Facts, jump: _Jump) -> bool:
    """Whether the device left its address unanswered right before a jump, and hardly ever else."""
    own = facts.traffic.own
    refused = own.filter(~pl.col("address_acked").fill_null(value=True))["start_ns"]
    before = refused.is_between(jump.last_ns, jump.from_ns)
    others = int((~before).sum())
    return bool(before.any()) and others <= _SELDOM * facts.traffic.replies.height


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


def _level_jump(facts: Facts) -> _Jump | None:
    """Where the content's level jumped at once and stayed; None where it did not."""
    common = commonest(facts.traffic.replies).tail(_LATEST)
    if common.height < 2 * _FEWEST:
        return None
    table = bytes_of(common).astype(np.float64)
    best, at = max(_jump(column) for column in table.T)
    if best <= _JUMP:
        return None
    anew = any(_begins_anew(column, at) for column in table.T)
    return _Jump(int(common["start_ns"][at - 1]), int(common["start_ns"][at]), anew)


def _begins_anew(column: Floats, cut: int) -> bool:
    """Whether a byte went on by one step before a cut, and begins at 0 there instead."""
    steps = np.diff(column[:cut]) % 256
    step = float(np.median(steps))
    first = float(column[cut])
    due = (float(column[cut - 1]) + step) % 256
    counts = 0 < step < 128 and bool((steps == step).mean() >= _COUNTS)
    return counts and first <= 2 * step and min((first - due) % 256, (due - first) % 256) > 2 * step


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

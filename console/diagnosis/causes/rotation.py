"""Whether the fields of replies stand further on than they did: left over, or slipped in a FIFO.

Each byte position of a reply has a level and a spread of its own, learned from the replies before.
A reply whose bytes fit the positions m places on, and not their own, has moved by m.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.scene import Int64s

Floats = npt.NDArray[np.float64]

_LATEST = 400  # replies, the last, that are looked at
_FEWEST = 20
_WORST = 20.0  # spreads: one far byte says no more than this
_BETTER = 0.4  # of the distance unmoved


@dataclass(frozen=True, slots=True)
class Rotated:
    """From one reply on, the fields stand so many bytes further."""

    shift: int
    from_ns: int
    asked: str  # the request whose replies moved


@dataclass(frozen=True, slots=True)
class Leftovers:
    """Replies that begin with what shorter reads before them left unread."""

    count: int
    fit: float  # share of those that the number of bytes left explains
    from_ns: int


def rotated_of(replies: pl.DataFrame) -> Rotated | None:
    """The first request whose replies moved for good; None when none did.

    Replies of differing lengths are compared over the shortest: their records repeat.
    """
    for rows in replies.partition_by("asked", maintain_order=True):
        table, times = _table(rows.tail(_LATEST))
        if len(table) < _FEWEST + 5 or table.shape[1] < 3:
            continue
        found = _moved(table)
        if found is not None:
            return Rotated(found[1], int(times[found[0]]), str(rows["asked"][0]))
    return None


def _table(rows: pl.DataFrame) -> tuple[Floats, Int64s]:
    """Bytes [n, shortest] of replies, and when each began."""
    data = [bytes.fromhex(each) for each in rows["data"].to_list()]
    length = min((len(each) for each in data), default=0)
    cells = [list(each[:length]) for each in data]
    return np.array(cells, np.float64).reshape(len(data), length), rows["start_ns"].to_numpy()


def _moved(table: Floats) -> tuple[int, int] | None:
    """The row from which all rows have moved, and by how much."""
    half = max(len(table) // 4, 10)
    profile = _profile(table[:half])
    length = table.shape[1]
    late = table[-max(len(table) // 5, 5) :]
    means = [float(_distances(late, profile, shift).mean()) for shift in range(length)]
    shift = int(np.argmin(means))
    if not shift:
        return None
    moved = _distances(table, profile, shift) < _BETTER * _distances(table, profile, 0)
    begins = np.flatnonzero(moved)
    if len(begins) < 5:
        return None
    first = int(begins[0])
    return (first, shift) if moved[first:].mean() >= 0.7 and first >= half else None


def _profile(rows: Floats) -> tuple[Floats, Floats]:
    return np.median(rows, axis=0), np.maximum(rows.std(axis=0), 2.0)


def _distances(rows: Floats, profile: tuple[Floats, Floats], shift: int) -> Floats:
    """Of each row, its mean distance in spreads from the profile turned by so many positions."""
    middle, spread = (np.roll(each, shift) for each in profile)
    far: Floats = np.minimum(np.abs(rows - middle) / spread, _WORST)
    return np.asarray(far.mean(axis=1), np.float64)


def leftovers_of(replies: pl.DataFrame) -> Leftovers | None:
    """Whether bytes that short reads left unread stand at the beginning of the next replies.

    What is left grows with each read that is shorter than what the device loads; the sum, modulo
    the length loaded, says by how much the next reply has moved. None where no read is shorter.
    """
    best: Leftovers | None = None
    for rows in replies.partition_by("asked", maintain_order=True):
        found = _left(rows.tail(_LATEST))
        if found is not None and (best is None or found.count > best.count):
            best = found
    return best


def _left(rows: pl.DataFrame) -> Leftovers | None:
    lengths = rows["length"].cast(pl.Int64).to_numpy()
    full = int(lengths.max(initial=0))
    missing = full - lengths
    short = np.flatnonzero(missing)
    if full < 3 or not len(short) or short[0] < 10:
        return None
    before = np.concatenate([[0], np.cumsum(missing)[:-1]]) % full
    data = [bytes.fromhex(each) for each in rows["data"].to_list()]
    whole = np.array([list(each) for each in data[: short[0]] if len(each) == full], np.float64)
    middle, spread = _profile(whole)
    places = [k for k in range(int(short[0]) + 1, len(data)) if before[k]]
    if len(places) < 3:
        return None
    fits = [_better(data[k], middle, spread, int(before[k]), full) for k in places]
    return Leftovers(len(places), float(np.mean(fits)), int(rows["start_ns"][places[0]]))


def _better(data: bytes, middle: Floats, spread: Floats, left: int, full: int) -> bool:
    """Whether a reply fits the positions that what was left foretells, and not its own."""
    own = np.arange(len(data))
    moved = (own - left) % full
    values = np.frombuffer(data, np.uint8).astype(np.float64)
    straight = np.minimum(np.abs(values - middle[own]) / spread[own], _WORST).mean()
    turned = np.minimum(np.abs(values - middle[moved]) / spread[moved], _WORST).mean()
    return bool(turned < 0.6 * straight)

"""Where a clock was stepped or stood still: lasting changes of the gap between two clocks.

Anchors are looked at in short blocks in order of the common time. A block's level is the shortest
interval with most of its gaps, so a wrong anchor here and there does not move it. A block off the
level so far may be wrong anchors; once enough anchors agree on a new level and no longer on the
old one, it is a step, and its place is the split that the most anchors on either side agree with.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.crowd import crowd_slope, repeated_median

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

BLOCK = 6  # anchors; of 6, 4 must agree
MOST_BLOCKS = 50_000  # blocks grow beyond this many, so that the loop over them stays short
LASTING = 7  # anchors more on the new level than on the old one since the last good block
BURST = 24  # anchors; fewer on a level between two stretches of another are a run of wrong ones
LEAST_STEP_NS = 20_000_000
RECENT = 5  # blocks whose middle level counts
SPREADS = 2.5  # a step is at least this many times the scatter of good anchors
SLOPE_BLOCK = 32  # anchors whose slope is looked at, no step in most
LEAST_SLOPE_BLOCK = 8
SLOPE_BLOCKS = 200
DRIFT_LIMIT = 0.05
WANDER = 5e-6  # a clock's pace changes by this much between one anchor and the next, far apart


def steps(native_ns: Int64s, common_ns: Int64s) -> Int64s:
    """Where the stretches after the first begin.

    Args:
        native_ns: int64[n]; may jump back and forth by any amount.
        common_ns: int64[n] in ascending order; up to three pairs in ten may be wrong.

    Returns:
        int64[k], ascending, each from 1 to n - 1: the first anchor after each step. Steps shorter
        than 20 ms or than some times the scatter are not told from delays, nor are steps with
        fewer than about a dozen anchors on either side.
    """
    n = len(native_ns)
    if n < 2 * BLOCK:
        return np.zeros(0, np.int64)
    gap = common_ns - native_ns
    x = (common_ns - common_ns[0]).astype(np.float64)
    y = (gap - np.partition(gap, n // 2)[n // 2]).astype(np.float64)
    slope, doubt = _pace(x, y)
    cuts = _cuts(x, y - slope * x, doubt)
    runs = np.split(np.arange(n), cuts)
    longest = max(runs, key=len)
    if len(longest) < SLOPE_BLOCK:
        return cuts
    slope, _ = crowd_slope(x[longest], y[longest], LEAST_STEP_NS / 4, DRIFT_LIMIT)
    return _cuts(x, y - slope * x, WANDER)


def _pace(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope within blocks, whatever steps lie between them, and how far off it may be."""
    size = min(max(len(x) // 10, LEAST_SLOPE_BLOCK), SLOPE_BLOCK)
    starts = np.arange(0, len(x) - size + 1, size)
    starts = starts[:: max(len(starts) // SLOPE_BLOCKS, 1)]
    slopes = np.array([repeated_median(x[s : s + size], y[s : s + size]) for s in starts])
    slope = float(np.median(slopes))
    scatter = 1.4826 * float(np.median(np.abs(slopes - slope)))
    return slope, max(3 * scatter / np.sqrt(len(slopes)), WANDER)


@dataclass(slots=True)
class _Walk:
    """State of the walk over blocks."""

    recent: list[float]  # levels of the last few blocks that were on the level
    block: int  # the last of them
    cuts: list[int] = field(default_factory=list)
    sides: list[tuple[float, float]] = field(default_factory=list)  # levels at each cut

    @property
    def level(self) -> float:
        """Their middle one: a block with wrong anchors near the level hardly moves it."""
        return sorted(self.recent)[len(self.recent) // 2]

    def accept(self, k: int, level: float) -> None:
        """Block k is on the level."""
        self.recent = [*self.recent[1 - RECENT :], level]
        self.block = k


def _cuts(x: Floats, residual: Floats, doubt: float) -> Int64s:
    """Boundaries found by walking over the blocks."""
    size = max(BLOCK, len(x) // MOST_BLOCKS)
    count = len(x) // size
    blocks = np.sort(residual[: count * size].reshape(count, size), axis=1)
    half = size // 2 + 1
    widths = blocks[:, half - 1 :] - blocks[:, : size - half + 1]
    best = np.argmin(widths, axis=1)
    rows = np.arange(count)
    levels = (blocks[rows, best] + blocks[rows, best + half - 1]) / 2
    scatter = 1.5 * float(np.median(widths[rows, best]))
    reach = max(SPREADS * scatter, LEAST_STEP_NS / 2)
    times = x[: count * size].reshape(count, size).mean(axis=1)
    first = _first_good(residual, levels, size, reach)
    walk = _Walk([float(levels[first])], first)
    for k in range(first + 1, count):  # about 0.2 us a block that is on the level
        room = reach + doubt * float(times[k] - times[walk.block])
        if abs(levels[k] - walk.level) <= room:
            walk.accept(k, float(levels[k]))
        else:
            _try_step(walk, residual, k, float(levels[k]), size, reach)
    return np.array(_lasting(walk, reach), dtype=np.int64)


def _lasting(walk: _Walk, reach: float) -> list[int]:
    """The cuts without those to a level that is soon left again for the one before.

    A run of wrong anchors looks so (one message taken for its neighbour a few times in a row); a
    clock that is set and set back stays on the wrong time for longer.
    """
    cuts: list[int] = []
    k = 0
    while k < len(walk.cuts):
        if k + 1 < len(walk.cuts):
            back = abs(walk.sides[k + 1][1] - walk.sides[k][0]) <= reach
            if back and walk.cuts[k + 1] - walk.cuts[k] < BURST:
                k += 2
                continue
        cuts.append(walk.cuts[k])
        k += 1
    return cuts


def _first_good(residual: Floats, levels: Floats, size: int, reach: float) -> int:
    """The first block that most anchors of it and the next lie on the level of."""
    for k in range(len(levels) - 1):
        two = residual[k * size : (k + 2) * size]
        if int((np.abs(two - levels[k]) <= reach).sum()) > size:
            return k
    return 0


def _try_step(walk: _Walk, residual: Floats, k: int, new: float, size: int, reach: float) -> None:
    """Take block k as the begin of a new level if anchors enough since the last good one agree."""
    start, end = walk.block * size, (k + 1) * size
    off_old = np.abs(residual[start:end] - walk.level) <= reach
    off_new = np.abs(residual[start:end] - new) <= reach
    since = slice(size, None)
    if int(off_new[since].sum()) - int(off_old[since].sum()) < LASTING:
        return
    agree = np.concatenate(([0], np.cumsum(off_old))) + np.concatenate(
        (np.cumsum(off_new[::-1])[::-1], [0])
    )
    cut = start + int(np.argmax(agree))
    if cut > (walk.cuts[-1] if walk.cuts else 0):
        walk.cuts.append(cut)
        walk.sides.append((walk.level, new))
    walk.recent, walk.block = [new], k

"""Count against time, a sign a life.

What stops after a count lies along a row, after a time in a column, and what is confounded or
random on a slope.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from console.diagnosis.lifetimes.lives import POLLS, Life
from decoders.durations import in_words

FAILED, CENSORED, SEVERAL = "x", "o", "#"
LEAST = 2  # failed lives; one is no picture


def lives_plot(
    lives: Sequence[Life], count: str = POLLS, *, columns: int = 48, rows: int = 8
) -> list[str]:
    """The plot in ASCII, its axes named; [] with fewer than two failed lives.

    Both axes begin at 0. `x` is a life that failed, `o` one that was still answering, `#` several.

    Args:
        lives: of one device.
        count: what is counted.
        columns: cells of the plot without its axis.
        rows: lines of it.
    """
    shown = [life for life in lives if life.counts.get(count, 0.0) > 0 and life.elapsed_ns > 0]
    if sum(life.failed for life in shown) < LEAST:
        return []
    times = np.array([life.elapsed_ns for life in shown], np.float64)
    counts = np.array([life.counts[count] for life in shown], np.float64)
    across = np.minimum((times / times.max() * (columns - 1)).round().astype(int), columns - 1)
    down = (rows - 1) - (counts / counts.max() * (rows - 1)).round().astype(int)
    cells = [[" "] * columns for _ in range(rows)]
    for x, y, life in zip(across.tolist(), down.tolist(), shown, strict=True):
        sign = FAILED if life.failed else CENSORED
        cells[y][x] = sign if cells[y][x] in (" ", sign) else SEVERAL
    most, none = f"{counts.max():,.0f}", "0"
    wide = max(len(most), len(none))
    names = [most, *[""] * (rows - 2), none]
    lines = [
        f"{name:>{wide}} |{''.join(row)}".rstrip() for name, row in zip(names, cells, strict=True)
    ]
    longest = in_words(int(times.max()))
    axis = f"{'':{wide}} +{'-' * columns}"
    return [
        f"{count}; {FAILED} stopped, {CENSORED} still answered",
        *lines,
        axis,
        f"{'':{wide}}  0{longest:>{columns - 1}}",
    ]

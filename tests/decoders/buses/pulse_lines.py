"""Edges of lines that carry pulses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from decoders.captures.edges import Edges

MS, US = 1_000_000, 1_000


def edges_of(lines: Sequence[Sequence[tuple[int, int]]], until_ns: int) -> Edges:
    """All lines low at 0, each high during its pulses (start and end, ns)."""
    changes = sorted(
        (t, 1 << k) for k, pulses in enumerate(lines) for pulse in pulses for t in pulse
    )
    times, level, rows = [0], 0, [0]
    for t_ns, mask in changes:
        level ^= mask
        if t_ns == times[-1]:
            rows[-1] = level
        else:
            times.append(t_ns)
            rows.append(level)
    return Edges(np.array(times, np.int64), np.array(rows, np.uint8), True, until_ns)


def servo(
    widths_us: Sequence[float], period_ms: float = 20, at_ms: float = 5
) -> list[tuple[int, int]]:
    """A pulse every period, of these widths; a width of 0 leaves one out."""
    starts = [round((at_ms + k * period_ms) * MS) for k in range(len(widths_us))]
    return [(t, t + round(w * US)) for t, w in zip(starts, widths_us, strict=True) if w]


def ranging(
    echoes_us: Sequence[float], every_ms: float = 60, at_ms: float = 5
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Triggers of 10 us and their echoes, 450 us later; an echo of 0 is lost."""
    starts = [round((at_ms + k * every_ms) * MS) for k in range(len(echoes_us))]
    begins = [t + 460 * US for t in starts]
    echoes = [(t, t + round(w * US)) for t, w in zip(begins, echoes_us, strict=True) if w]
    return [(t, t + 10 * US) for t in starts], echoes

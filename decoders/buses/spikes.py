"""Take out pulses too short to be traffic (UM10204 table 11, tSP: 50 ns in Fast mode).

The filter works on each line alone. A run is the time from one edge of the line to its next. Runs
shorter than the limit are taken out, and what is left is joined: the line changes at the beginning
of the first long enough run of the other level. A run that observation cuts, at the beginning or
the end, is not judged.

Whether a run is short is known when the next edge of its line comes, or when the limit has passed.
So rows are released only when nothing that comes later can change them: those at or before the time
seen less the limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_UNENDED = np.iinfo(np.int64).max  # a run whose end was not seen is long


@dataclass(frozen=True, slots=True, eq=False)
class Filtered:
    """Rows without spikes, and the spikes."""

    t_ns: npt.NDArray[np.int64]  # [n]
    scl: npt.NDArray[np.uint8]  # [n + 1] row 0 the state before
    sda: npt.NDArray[np.uint8]  # [n + 1]
    spike_start_ns: npt.NDArray[np.int64]  # [s] in time order, SCL and SDA together
    spike_end_ns: npt.NDArray[np.int64]  # [s]


def may_have_spikes(
    gap_ns: npt.NDArray[np.int64],
    scl: npt.NDArray[np.uint8],
    sda: npt.NDArray[np.uint8],
    spike_ns: int,
) -> bool:
    """Whether a run shorter than the limit may begin and end in these rows; cheap when none does.

    Edges of the two lines that are close to each other, such as SDA changing at once after SCL
    fell, are not taken for spikes.

    Args:
        gap_ns: int64[n] time since the row before.
        scl: uint8[n + 1] levels, row 0 the state before.
        sda: uint8[n + 1] likewise.
        spike_ns: the limit.
    """
    if len(gap_ns) < 2 or gap_ns.min() >= spike_ns:
        return False
    if len(gap_ns) > 2 and (gap_ns[1:-1] + gap_ns[2:] < spike_ns).any():
        return True
    scl_changes, sda_changes = scl[1:] ^ scl[:-1], sda[1:] ^ sda[:-1]
    same_line = (scl_changes[1:] & scl_changes[:-1]) | (sda_changes[1:] & sda_changes[:-1])
    return bool((same_line.view(np.bool_) & (gap_ns[1:] < spike_ns)).any())


def without_spikes(
    t_ns: npt.NDArray[np.int64],
    scl: npt.NDArray[np.uint8],
    sda: npt.NDArray[np.uint8],
    release: int,
    filtered_before: tuple[int, int],
    spike_ns: int,
) -> Filtered:
    """Filter the first `release` rows; the rows after them only tell where runs end.

    Args:
        t_ns: int64[n] times of all rows.
        scl: uint8[n + 1] levels, row 0 the unfiltered state before.
        sda: uint8[n + 1] likewise.
        release: how many rows can be judged, 0..n.
        filtered_before: filtered levels of SCL and SDA before row 0.
        spike_ns: runs shorter than this are taken out.
    """
    scl_levels, scl_from, scl_until = _one_line(t_ns, scl, release, filtered_before[0], spike_ns)
    sda_levels, sda_from, sda_until = _one_line(t_ns, sda, release, filtered_before[1], spike_ns)
    changed = (scl_levels[1:] != scl_levels[:-1]) | (sda_levels[1:] != sda_levels[:-1])
    rows = np.flatnonzero(changed)
    start = np.concatenate([scl_from, sda_from])
    until = np.concatenate([scl_until, sda_until])
    order = np.argsort(start, kind="stable")
    return Filtered(
        t_ns=t_ns.take(rows),
        scl=np.concatenate([scl_levels[:1], scl_levels[1:].take(rows)]),
        sda=np.concatenate([sda_levels[:1], sda_levels[1:].take(rows)]),
        spike_start_ns=start[order],
        spike_end_ns=until[order],
    )


def _one_line(
    t_ns: npt.NDArray[np.int64],
    level: npt.NDArray[np.uint8],
    release: int,
    filtered_before: int,
    spike_ns: int,
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Filtered levels uint8[release + 1] of one line; starts and ends of its spikes."""
    edges = np.flatnonzero(level[1:] != level[:-1])
    begins = t_ns[edges]
    length = np.full(len(edges), _UNENDED, np.int64)
    np.subtract(begins[1:], begins[:-1], out=length[:-1])
    judged = int(edges.searchsorted(release))
    short = length[:judged] < spike_ns
    kept = edges[:judged][~short]
    levels = np.empty(release + 1, np.uint8)
    levels[0] = filtered_before
    accepted = np.concatenate([levels[:1], level[1:].take(kept)])
    levels[1:] = np.repeat(accepted, np.diff(kept, prepend=0, append=release))
    spikes = np.flatnonzero(short)
    starts = begins[spikes]
    return levels, starts, starts + length[spikes]

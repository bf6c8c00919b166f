"""How far an alignment is from the truth of a world."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.align import aligned
from console.timeline.clocks import NO_BAND, ClockMap
from console.timeline.order import CANNOT_SAY, order
from tests.console.timeline.worlds import World

Int64s = npt.NDArray[np.int64]
ORDERED = 400  # pairs of events whose order is asked for in each world


@dataclass(frozen=True, slots=True)
class Judged:
    """One source of one world."""

    source: str
    aligned: float  # share of its rows that are on the axis
    worst_ns: int  # largest error of a row that is
    worst_beyond_ns: int  # largest error beyond the stated band; 0 or less: inside everywhere
    band_ns: int  # widest band
    wrong_order: float  # share of wrong words among pairs with the wire's events
    said: float  # share of those pairs of which an order is said


def judged(world: World, seed: int) -> dict[str, Judged]:
    """The sources of a world but for the axis, aligned and compared with the truth."""
    maps = aligned(world.clocks, world.series, {}).maps
    return {
        clock.source: _source(maps[clock.source], clock.native_ns, world, clock.source, seed)
        for clock in world.clocks
        if clock.source != "wire"
    }


def _source(clock: ClockMap, native_ns: Int64s, world: World, source: str, seed: int) -> Judged:
    common, bands = clock.common_ns(native_ns), clock.bands_ns(native_ns)
    true = world.true_ns[source]
    known = bands != NO_BAND
    error, bands = np.abs(common - true)[known], bands[known]
    rng = np.random.default_rng([seed, 11])
    mine = rng.choice(np.flatnonzero(known), ORDERED) if known.any() else np.zeros(0, np.intp)
    wire = world.true_ns["wire"]
    near = np.searchsorted(wire, true[mine]) + rng.integers(-1, 2, len(mine))
    theirs = wire[np.clip(near, 0, len(wire) - 1)]
    all_bands = clock.bands_ns(native_ns)
    said = order(common[mine], all_bands[mine], theirs, np.zeros(len(mine), np.int64))
    truth = np.sign(true[mine] - theirs)
    spoken = said != CANNOT_SAY
    return Judged(
        source,
        float(known.mean()),
        int(error.max(initial=0)),
        int((error - bands).max(initial=-(2**62))),
        int(bands.max(initial=0)),
        float((spoken & (said != truth)).mean()) if len(mine) else 0.0,
        float(spoken.mean()) if len(mine) else 0.0,
    )

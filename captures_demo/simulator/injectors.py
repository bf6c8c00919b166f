"""Faults of the wires and of the probes on them; those of the devices are in `manners`."""

from __future__ import annotations

import numpy as np

from captures_demo.simulator.dice import Dice
from captures_demo.simulator.lines import Line, Trace
from captures_demo.simulator.schedule import Program

CLEAR_NS = 400  # a probe spike keeps this far from the edges on both its sides


def disturbed(line: Line, dice: Dice, *, every_ns: int, widest_ns: int) -> Program[None]:
    """Noise coupled into a line at random times, for ever; every device sees it.

    Args:
        line: the line.
        dice: its randomness.
        every_ns: mean time between two of them.
        widest_ns: each lasts from 1 ns to this.
    """
    while True:
        yield int(dice.exponential(every_ns))
        width_ns = dice.between(1, widest_ns)
        line.disturb(width_ns)
        yield width_ns


def probe_spikes(trace: Trace, dice: Dice, *, count: int, widest_ns: int) -> int:
    """Pulses that only the instrument sees, far from all edges; how many found room.

    Args:
        trace: changed in place, after the run.
        dice: where and how wide.
        count: how many are wanted.
        widest_ns: each lasts from 1 ns to this.
    """
    t_ns, levels = trace.columns()
    room = np.flatnonzero(np.diff(t_ns) > 2 * CLEAR_NS + widest_ns)
    places = sorted({dice.below(len(room)) for _ in range(count)}) if len(room) else []
    new_ns, new_levels, before = [], [], []
    for place in places:
        row = int(room[place])
        free_ns = int(t_ns[row + 1] - t_ns[row]) - 2 * CLEAR_NS - widest_ns
        at_ns = int(t_ns[row]) + CLEAR_NS + dice.below(min(free_ns, 2**31) + 1)
        mask = 1 << dice.below(len(trace.channels))
        new_ns += [at_ns, at_ns + dice.between(1, widest_ns)]
        new_levels += [int(levels[row]) ^ mask, int(levels[row])]
        before += [row + 1, row + 1]
    trace.replace(
        np.insert(t_ns, before, new_ns).astype(np.int64),
        np.insert(levels, before, np.array(new_levels, np.uint8)),
    )
    return len(places)

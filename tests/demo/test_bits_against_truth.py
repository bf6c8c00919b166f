"""Simulated traffic: its bits against those clocked, their turns against who really drove.

The simulator tells who pulls each line; the cells know only the two levels.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from captures_demo.simulator import TRAFFIC_FAULTS, Run, random_traffic
from captures_demo.simulator.lines import Line
from captures_demo.simulator.timing import FAST, FAST_PLUS, STANDARD, BusTiming
from decoders.buses.bit_cells import BIT, BitCells, bit_cells
from decoders.buses.held_lines import CONTROLLER, TARGET
from decoders.captures.edges import Edges
from tests.decoders.buses.cells import bits_of, bytes_on_wire, kinds

CONTROLLER_PULLS = 1 << 1  # the first driver of a bus; the others are the targets'
# Those in which every party keeps to its turn.
ORDERLY = ("address-nack", "data-nack", "cut-in-byte", "void", "reserved-address", "pec", "spike")
SPEEDS = [(STANDARD, 300), (FAST, 300), (FAST_PLUS, 100)]


def edges_of(run: Run) -> tuple[Edges, int, int]:
    t_ns, levels, channels = run.edges()
    edges = Edges(t_ns, levels, True, run.recorded().until_ns)
    return edges, channels.index("scl"), channels.index("sda")


def cells_of_each(run: Run) -> list[BitCells]:
    """The cells of every captured transaction, looked up by its true times."""
    edges, scl, sda = edges_of(run)
    return [
        bit_cells(
            *(edges, scl, sda, run.capture_ns(row.start_ns), run.capture_ns(row.end_ns)),
            restarted=row.started_by == "restart",
        )
        for row in run.captured_transactions()
    ]


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    faults=st.lists(st.sampled_from(TRAFFIC_FAULTS), unique=True),
    jitter_ns=st.sampled_from([0, 90]),
)
def test_the_bits_of_every_transaction_are_those_that_were_clocked(
    seed: int, faults: list[str], jitter_ns: int
) -> None:
    run = random_traffic(seed, faults=faults, acts=6, jitter_ns=jitter_ns)
    words = {"stop": "STOP", "restart": "repeated START", "start": "START"}
    for row, cells in zip(run.captured_transactions(), cells_of_each(run), strict=True):
        assert bits_of(cells) == [int(bit) for bit in row.bits]
        whole, over = bytes_on_wire(cells)
        data = whole[len(whole) - len(row.data) :]
        assert (bytes(value for value, _ in data), over) == (row.data, row.bits_over)
        assert "".join("A" if acked else "N" for _, acked in data) == row.acks
        assert (kinds(cells)[0], kinds(cells)[-1]) == (words[row.started_by], words[row.ended_by])


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_the_cells_of_a_whole_capture_are_those_of_its_transactions(seed: int) -> None:
    run = random_traffic(seed, faults=["data-nack", "cut-in-byte"], acts=6)
    edges, scl, sda = edges_of(run)
    cells = bit_cells(edges, scl, sda, int(edges.t_ns[0]), edges.until_ns)
    each = [bits_of(cells, number) for number in range(int(cells.transaction.max()) + 1)]
    assert each == [[int(bit) for bit in row.bits] for row in run.truth.transactions]


@dataclass
class Pulls:
    """Who pulls a line from when on, as masks of drivers."""

    at_ns: list[int] = field(default_factory=lambda: [-1])
    who: list[int] = field(default_factory=lambda: [0])

    def note(self, line: Line) -> None:
        self.at_ns.append(line._schedule.now_ns)
        self.who.append(line._pulls)

    def at(self, t_ns: int) -> int:
        return self.who[bisect_right(self.at_ns, t_ns) - 1]

    def during(self, begin_ns: int, end_ns: int) -> int:
        """All who pull at some time of a span."""
        inside = slice(bisect_right(self.at_ns, begin_ns) - 1, bisect_right(self.at_ns, end_ns))
        return int(np.bitwise_or.reduce(np.array(self.who[inside], np.int64)))


def watched_traffic(
    seed: int, faults: list[str], timing: BusTiming, rise_ns: int
) -> tuple[Run, dict[str, Pulls]]:
    """Traffic, and who pulled its lines when."""
    pulls = {"scl": Pulls(), "sda": Pulls()}
    pull, release = Line.pull, Line.release

    def noted_pull(line: Line, driver: int) -> None:
        pull(line, driver)
        pulls[line.name].note(line)

    def noted_release(line: Line, driver: int) -> None:
        release(line, driver)
        pulls[line.name].note(line)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Line, "pull", noted_pull)
        patch.setattr(Line, "release", noted_release)
        run = random_traffic(seed, faults=faults, acts=6, timing=timing, rise_ns=rise_ns)
    return run, pulls


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    faults=st.lists(st.sampled_from(ORDERLY), unique=True),
    speed=st.sampled_from(SPEEDS),
)
def test_a_low_bit_was_driven_by_whose_turn_it_was(
    seed: int, faults: list[str], speed: tuple[BusTiming, int]
) -> None:
    run, pulls = watched_traffic(seed, faults, *speed)
    wrong, lows = [], 0
    for cells in cells_of_each(run):
        low = np.flatnonzero((cells.level == 0) & (cells.kind == BIT))
        lows += len(low)
        for k in low.tolist():
            who = pulls["sda"].at(int(cells.at_ns[k]))
            by_controller = who == CONTROLLER_PULLS
            by_target = who > CONTROLLER_PULLS and not who & CONTROLLER_PULLS
            turn = {(True, False): CONTROLLER, (False, True): TARGET}.get(
                (by_controller, by_target)
            )
            if turn != cells.turn[k]:
                wrong.append((int(cells.at_ns[k]), who, int(cells.turn[k])))
    assert wrong == []
    assert lows > 0


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32), speed=st.sampled_from(SPEEDS))
def test_lows_are_called_stretched_where_a_target_held_the_clock(
    seed: int, speed: tuple[BusTiming, int]
) -> None:
    run, pulls = watched_traffic(seed, ["long-stretch"], *speed)
    wrong, lows = [], 0
    for cells in cells_of_each(run):
        told = np.flatnonzero(cells.usual_low_ns)
        lows += len(told)
        for k in told.tolist():
            span = int(cells.begin_ns[k]), int(cells.rise_ns[k]) - 1
            by_target = pulls["scl"].during(*span) > CONTROLLER_PULLS + 1
            if by_target != (cells.stretch_ns[k] > 0):
                wrong.append((span, int(cells.stretch_ns[k])))
    assert wrong == []
    assert lows > 0

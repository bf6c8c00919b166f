"""Bits drawn in columns: equal widths however the clock stretched, and no edge lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses.bit_cells import BIT, BitCells, bit_cells
from decoders.buses.bit_layout import BitLayout, bit_layout
from decoders.captures.edges import Edges
from decoders.captures.level_strip import BOTH, FALLS, RISES, levels_between
from tests.decoders.buses.rows import rows_of
from tests.decoders.buses.wave import SCL, SDA, Wave

DRAWN = "_-\\/|?"  # low, high, falls, rises, both, not observed


def laid_out(wave: Wave, columns: int) -> tuple[Edges, BitCells, BitLayout]:
    """The cells of all transactions of a wave."""
    rows = rows_of(wave)
    cells = bit_cells(wave.edges(), SCL, SDA, rows[0].start_ns, rows[-1].end_ns)
    return wave.edges(), cells, bit_layout(cells, columns)


def drawn(wave: Wave, columns: int) -> list[str]:
    edges, _, layout = laid_out(wave, columns)
    lines = [levels_between(edges, line, layout.bounds_ns) for line in (SDA, SCL)]
    folds = "".join("~" if folded else " " for folded in layout.folded)
    return ["".join(DRAWN[code] for code in line) for line in lines] + [folds.rstrip()]


def test_an_unanswered_address_is_drawn_bit_under_bit() -> None:
    wave = Wave().wait(50_000).start().byte(0x5C, ack=False).stop()
    #        S   0   1   0   1   1   1   0   W   N   P
    sda = r"--\ ___ _/- -\_ _/- --- --- -\_ ___ _/- \_/"
    scl = r"--- \_/ \_/ \_/ \_/ \_/ \_/ \_/ \_/ \_/ \/-"
    assert drawn(wave, 3) == [sda.replace(" ", ""), scl.replace(" ", ""), ""]


def test_a_stretched_low_is_one_column_more_that_is_marked() -> None:
    plain = Wave().wait(50_000).start().byte(0x5C).byte(0x11).stop()
    wave = Wave().wait(50_000).start().byte(0x5C).stretch(7_000_000).byte(0x11).stop()
    scl, folds = drawn(wave, 4)[1:]
    at = folds.index("~")
    assert (folds.count("~"), scl[at]) == (1, "_")
    assert scl[:at] + scl[at + 1 :] == drawn(plain, 4)[1]


def test_the_bus_between_two_transactions_is_folded() -> None:
    wave = Wave().wait(50_000).transaction(0x2E, b"\x01").stop().wait(9_000_000)
    _, _, layout = laid_out(wave.transaction(0x2E, b"\x02").stop(), 3)
    between = np.flatnonzero(layout.cell < 0)
    assert (len(between), layout.folded[between].tolist()) == (1, [True])


def test_a_clock_that_stands_high_for_long_is_folded() -> None:
    wave = Wave().wait(50_000).start().byte(0x5D).wait().set(sda=0).wait().set(scl=1)
    _, cells, layout = laid_out(wave.wait(40_000_000), 3)
    assert layout.cell[layout.folded].tolist() == [len(cells) - 1]
    assert layout.bounds_ns[-1] == wave.now_ns


def test_cells_begin_where_the_layout_says() -> None:
    _, cells, layout = laid_out(Wave().wait(50_000).transaction(0x2E, b"\x01").stop(), 5)
    assert layout.cell[layout.first].tolist() == list(range(len(cells)))
    assert layout.first.tolist() == [5 * k for k in range(len(cells))]


def test_no_cells_are_no_columns() -> None:
    wave = Wave().wait(50_000).start()
    layout = bit_layout(bit_cells(wave.edges(), SCL, SDA, 100, 200))
    assert (len(layout), len(layout.bounds_ns), len(layout.first)) == (0, 1, 0)


def test_a_bit_of_one_column_is_refused() -> None:
    wave = Wave().wait(50_000).start()
    with pytest.raises(ValueError, match="2 columns or more: 1"):
        bit_layout(bit_cells(wave.edges(), SCL, SDA, 100, 200), 1)


@st.composite
def waves(draw: st.DrawFn) -> Wave:
    """Transactions with pauses of any length in any low, between bytes and between transactions."""
    wave = Wave(draw(st.sampled_from([1_000, 2_500, 10_000]))).wait(50_000)
    pauses = st.sampled_from([0, 0, 0, 700, 40_000, 20_000_000])
    for _ in range(draw(st.integers(1, 3))):
        wave.start()
        for _ in range(draw(st.integers(0, 3))):
            wave.stretch(draw(pauses)).byte(draw(st.integers(0, 255)), ack=draw(st.booleans()))
        for _ in range(draw(st.integers(0, 3))):
            wave.stretch(draw(pauses)).bit(draw(st.integers(0, 1)))
        if draw(st.booleans()):
            wave.stop().wait(draw(pauses))
    return wave.stop().wait(1_000)


@settings(max_examples=150, deadline=None)
@given(wave=waves(), columns=st.integers(2, 7))
def test_every_bit_has_its_width_and_its_clock_in_the_same_columns(
    wave: Wave, columns: int
) -> None:
    edges, cells, layout = laid_out(wave, columns)
    scl = levels_between(edges, SCL, layout.bounds_ns)
    folds = np.bincount(layout.cell[layout.folded & (layout.cell >= 0)], minlength=len(cells))
    widths = np.bincount(layout.cell[layout.cell >= 0], minlength=len(cells))
    assert set((widths - folds).tolist()) == {columns}
    bits = cells.kind == BIT
    assert folds[bits].tolist() == (cells.stretch_ns[bits] > 0).tolist()
    assert set(scl[layout.first[bits]].tolist()) <= {FALLS}
    rise = layout.first[bits] + (columns + 1) // 2 + (cells.stretch_ns[bits] > 0)
    assert set(scl[rise].tolist()) <= {RISES}


@settings(max_examples=150, deadline=None)
@given(wave=waves(), columns=st.integers(2, 7))
def test_columns_are_time_without_a_gap_and_lose_no_edge(wave: Wave, columns: int) -> None:
    edges, cells, layout = laid_out(wave, columns)
    bounds = layout.bounds_ns
    assert np.all(np.diff(bounds) >= 0)
    assert (bounds[0] < cells.begin_ns[0], bounds[-1] >= cells.end_ns[-1]) == (True, True)
    for line in (SCL, SDA):
        level = edges.levels >> np.uint8(line) & np.uint8(1)
        changes = edges.t_ns[1:][level[1:] != level[:-1]]
        changes = changes[(changes >= bounds[0]) & (changes < bounds[-1])]
        held = np.unique(bounds.searchsorted(changes, "right") - 1)
        strip = levels_between(edges, line, bounds)
        assert np.flatnonzero(np.isin(strip, (FALLS, RISES, BOTH))).tolist() == held.tolist()

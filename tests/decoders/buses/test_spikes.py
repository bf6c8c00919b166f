"""The spike filter."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.buses.i2c import I2cDecoder
from decoders.buses.i2c_limits import FAST
from decoders.captures.edges import Edges
from tests.decoders.buses.rows import blocks_of, decoded, edges_of
from tests.decoders.buses.wave import Wave


def traffic(line: str, width_ns: int) -> Wave:
    """A write with a pulse on a line in mid byte, while the clock is low or high."""
    wave = Wave().wait(10_000).start().byte(0x5C).bit(1)
    wave.wait().set(sda=1).wait().set(scl=1).spike(line, width_ns).set(scl=0)
    for bit in (0, 0, 1, 1, 0, 1, 0):
        wave.bit(bit)
    return wave.stop()


@pytest.mark.parametrize("line", ["scl", "sda"])
def test_pulse_shorter_than_the_limit_is_taken_out(line: str) -> None:
    wave = traffic(line, 49)
    transactions, states = decoded(I2cDecoder(0, 1), [wave.edges()])
    assert [(row[2], row[6], row[-1]) for row in transactions] == [
        (0x2E, ((0b11001101, True),), ("spike",))
    ]
    spike_ns = [end - start for start, end, state, _, _ in states if state == "spike"]
    assert spike_ns == [49]


def test_the_limit_is_what_fast_mode_inputs_must_suppress() -> None:
    """UM10204 table 11, tSP: up to 50 ns."""
    assert FAST.spike_max_ns == 50
    taken_out, kept = (
        decoded(I2cDecoder(0, 1), [traffic("scl", width).edges()])[0][0][-1] for width in (49, 50)
    )
    assert taken_out == ("spike",)
    assert kept != ("spike",)


def test_pulse_of_sda_with_the_clock_high_is_a_start_and_stop_without_the_filter() -> None:
    transactions, states = decoded(I2cDecoder(0, 1, spike_ns=0), [traffic("sda", 10).edges()])
    assert len(transactions) > 1
    assert "spike" not in [state for _, _, state, _, _ in states]


def test_limit_can_be_set() -> None:
    wave = traffic("scl", 300)
    transactions, _ = decoded(I2cDecoder(0, 1, spike_ns=400), [wave.edges()])
    assert [row[-1] for row in transactions] == [("spike",)]


def test_ringing_edge_becomes_the_edge_that_lasts() -> None:
    rows = [(0, 1, 1), (1_000, 1, 0), (1_010, 1, 1), (1_030, 1, 0), (4_000, 1, 1)]
    transactions, states = decoded(I2cDecoder(0, 1), [edges_of(rows, 5_000)])
    assert [(row[0], row[1]) for row in transactions] == [(1_030, 4_000)]
    assert [row[:3] for row in states if row[2] == "spike"] == [
        (1_000, 1_010, "spike"),
        (1_010, 1_030, "spike"),
    ]


@pytest.mark.parametrize("cut", range(1, 40))
def test_spike_at_a_border_of_blocks_is_taken_out_all_the_same(cut: int) -> None:
    wave = traffic("sda", 20)
    whole = decoded(I2cDecoder(0, 1), [wave.edges()])
    assert decoded(I2cDecoder(0, 1), blocks_of(wave.edges(), [cut])) == whole
    assert decoded(I2cDecoder(0, 1), blocks_of(wave.edges(), [cut], [1.0])) == whole


@pytest.mark.parametrize("line", ["scl", "sda"])
@pytest.mark.parametrize("later_ns", range(0, 60, 5))
def test_spike_is_taken_out_however_little_is_known_behind_it(line: str, later_ns: int) -> None:
    edges = traffic(line, 20).edges()
    (end,) = np.flatnonzero(np.diff(edges.t_ns) == 20) + 1
    known = Edges(
        edges.t_ns[: end + 1], edges.levels[: end + 1], True, int(edges.t_ns[end]) + later_ns
    )
    rest = Edges(edges.t_ns[end + 1 :], edges.levels[end + 1 :], False, edges.until_ns)
    whole = decoded(I2cDecoder(0, 1), [edges])
    assert decoded(I2cDecoder(0, 1, wait_ns=0), [known, rest]) == whole


def test_spike_outside_a_transaction_is_only_a_line_state() -> None:
    wave = Wave().transaction(0x2E, b"\x01").stop().wait(100_000)
    wave.spike("sda", 30).wait(100_000).transaction(0x2E, b"\x02").stop()
    transactions, states = decoded(I2cDecoder(0, 1), [wave.edges()])
    assert [row[-1] for row in transactions] == [(), ()]
    assert [state for _, _, state, _, _ in states] == ["idle", "idle", "spike", "idle"]


def test_last_pulse_is_not_judged_when_observation_ends_in_it() -> None:
    rows = [(0, 1, 1), (1_000, 1, 0)]
    transactions, states = decoded(I2cDecoder(0, 1), [edges_of(rows, 1_020)])
    assert [(row[0], row[8]) for row in transactions] == [(1_000, "cut")]
    assert [row[2] for row in states] == ["idle"]


def test_close_edges_of_different_lines_are_no_spikes() -> None:
    """SDA may change at once after SCL fell: tHD;DAT is 0 (UM10204 table 11)."""
    wave = Wave()
    wave.start()
    for bit in (0, 1, 0, 1, 1, 1, 0, 0, 0):
        wave.wait(20).set(sda=bit).wait(5_000).set(scl=1).wait(5_000).set(scl=0)
    transactions, states = decoded(I2cDecoder(0, 1), [wave.stop().edges()])
    assert [(row[2], row[-1]) for row in transactions] == [(0x2E, ())]
    assert "spike" not in [state for _, _, state, _, _ in states]

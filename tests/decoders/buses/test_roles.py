"""Which channels are SCL and SDA."""

from __future__ import annotations

import random

import numpy as np
import numpy.typing as npt
import pytest

from decoders.buses.roles import buses_by_behaviour, buses_by_name
from decoders.captures.edges import Edges
from tests.decoders.buses.wave import Wave


@pytest.mark.parametrize(
    ("channels", "expected"),
    [
        (["SCL", "SDA"], [("i2c", 0, 1)]),
        (["sda", "Scl"], [("i2c", 1, 0)]),
        (["SCL1", "SDA1", "SDA2", "SCL2"], [("i2c-1", 0, 1), ("i2c-2", 3, 2)]),
        (["a_scl", "a_sda", "a-scl", "a-sda"], [("a", 0, 1), ("a-2", 2, 3)]),
        (["i2c0_scl", "i2c0_sda", "led"], [("i2c0", 0, 1)]),
        (["I2CSCL", "I2CSDA"], [("i2c", 0, 1)]),
        (["top.bus.sda", "top.bus.scl"], [("top-bus", 1, 0)]),
        (["Channel 0 - SCL", "Channel 1 - SDA"], [("i2c", 0, 1)]),
        (["Channel 0 - SCL_a", "Channel 1 - SDA_a", "Channel 2 - SCL_b"], [("a", 0, 1)]),
        (["p0 (SCL)", "p1 (SDA)"], [("i2c", 0, 1)]),
        (["p0 (SCL)", "p1 (SDA)", "p2 (SCL)", "p3 (SDA)"], [("i2c-1", 0, 1), ("i2c-2", 2, 3)]),
        (["SCK", "SDA"], [("i2c", 0, 1)]),
        (["SCK", "SCL", "SDA"], [("i2c", 1, 2)]),
    ],
)
def test_names_tell_the_lines_of_each_bus(
    channels: list[str], expected: list[tuple[str, int, int]]
) -> None:
    assert [(bus.name, bus.scl, bus.sda) for bus in buses_by_name(channels)] == expected


@pytest.mark.parametrize(
    "channels",
    [["SCLK", "MOSI", "MISO"], ["SCK", "MOSI"], ["tx", "rx"], ["SCL"], ["scale", "sdata"], []],
)
def test_names_of_other_lines_tell_no_bus(channels: list[str]) -> None:
    assert buses_by_name(channels) == []


def test_the_reason_is_told() -> None:
    (bus,) = buses_by_name(["SCL", "SDA"])
    assert bus.why == "as their names say"


def merged(*lines: tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]) -> Edges:
    """Lines of their own edges as one capture, one bit each in order."""
    times = np.unique(np.concatenate([t_ns for t_ns, _ in lines]))
    levels = np.zeros(len(times), np.uint16)
    for bit, (t_ns, values) in enumerate(lines):
        at = np.maximum(t_ns.searchsorted(times, "right") - 1, 0)
        levels |= values[at].astype(np.uint16) << bit
    return Edges(times, levels, True, int(times[-1]))


def line(rows: list[tuple[int, int]]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
    return np.array([t for t, _ in rows]), np.array([v for _, v in rows], np.uint8)


def bus(seed: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Rows of SCL and of SDA of some traffic."""
    randomly = random.Random(seed)
    wave = Wave(10_000)
    for _ in range(12):
        wave.wait(randomly.randrange(50_000, 2_000_000))
        data = randomly.randbytes(randomly.randrange(1, 6))
        wave.transaction(randomly.randrange(8, 120), data).stop()
    return [(t, v & 1) for t, v in wave.rows], [(t, v >> 1) for t, v in wave.rows]


def uart(seed: int) -> list[tuple[int, int]]:
    """115200 baud, 8N1."""
    randomly = random.Random(seed)
    rows, t = [(0, 1)], 20_000
    for _ in range(150):
        byte = randomly.randrange(256)
        for bit in (0, *(byte >> k & 1 for k in range(8)), 1):
            rows.append((t, bit))
            t += 8_681
        t += randomly.choice((0, 300_000))
    return rows


def pwm(period_ns: int, high_ns: int) -> list[tuple[int, int]]:
    """A steady pulse train."""
    starts = range(0, 20_000_000, period_ns)
    return [row for t in starts for row in ((t, 1), (t + high_ns, 0))]


def spi(seed: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]], list[tuple[int, int]]]:
    """Clock, data and select of mode 0 at 1 MHz."""
    randomly = random.Random(seed)
    clock, data, select, t = [(0, 0)], [(0, 0)], [(0, 1)], 10_000
    for _ in range(60):
        select.append((t, 0))
        for _ in range(8 * randomly.randrange(1, 5)):
            data.append((t + 100, randomly.randrange(2)))
            clock += [(t + 500, 1), (t + 1_000, 0)]
            t += 1_000
        select.append((t + 500, 1))
        t += 40_000
    return clock, data, select


def test_behaviour_finds_two_buses_among_other_lines() -> None:
    (scl1, sda1), (scl2, sda2) = bus(1), bus(2)
    wave = merged(*map(line, (uart(1), sda1, scl1, pwm(20_000, 1_500), scl2, sda2)))
    found = buses_by_behaviour(wave, ["a", "b", "c", "d", "e", "f"])
    assert sorted((one.scl, one.sda) for one in found) == [(2, 1), (4, 5)]
    assert {one.name for one in found} == {"i2c-1", "i2c-2"}


def test_behaviour_finds_a_bus_of_ten_bit_addresses() -> None:
    wave = Wave()
    for value in range(6):
        wave.wait(50_000).start().byte(0xF4).byte(0xA5).start().byte(0xF5)
        wave.byte(value, ack=False).stop()
    (found,) = buses_by_behaviour(wave.edges(), ["x", "y"])
    assert (found.scl, found.sda) == (0, 1)
    assert "of 12 transactions with 'x' as SCL and 'y' as SDA, 12 have" in found.why


def test_the_reason_counts_the_transactions() -> None:
    scl, sda = bus(3)
    (found,) = buses_by_behaviour(merged(line(scl), line(sda)), ["x", "y"])
    assert found.why == (
        "of 12 transactions with 'x' as SCL and 'y' as SDA, 12 have an address and whole bytes of"
        " nine clocks"
    )


@pytest.mark.parametrize("seed", range(4))
def test_lines_of_other_kinds_are_no_bus(seed: int) -> None:
    lines = [uart(seed), uart(seed + 10), pwm(20_000, 1_500), pwm(1_000, 300), *spi(seed)]
    wave = merged(*map(line, lines))
    assert buses_by_behaviour(wave, list("abcdefg")) == []


def test_a_capture_without_edges_is_no_bus() -> None:
    nothing = Edges(np.empty(0, np.int64), np.empty(0, np.uint8), True, 0)
    assert buses_by_behaviour(nothing, ["a", "b"]) == []

"""Which lines of a capture carry a UART's text."""

from __future__ import annotations

import random

import numpy as np
import pytest

from decoders.buses.serial_bytes import byte_rows, text_share
from decoders.buses.uart_lines import uart_lines
from decoders.captures.edges import Edges
from tests.decoders.buses.serial_wave import SerialWave, edges_of, inverted
from tests.decoders.buses.wave import Wave

LOG = b"[%05d] INFO poll %d level=%d\r\n"


def log(seed: int, baud: int = 115_200) -> SerialWave:
    randomly = random.Random(seed)
    wave = SerialWave(baud).wait(50)
    for number in range(12):
        wave.text(LOG % (97 * number, number, randomly.randrange(100)))
        wave.wait(randomly.randrange(20, 400))
    return wave


def binary(seed: int) -> SerialWave:
    return SerialWave(115_200).wait(50).text(random.Random(seed).randbytes(300), idle_bits=0.3)


def merged(*lines: Edges) -> Edges:
    """One capture; bit k is bit 0 of the k-th of the lines."""
    times = np.unique(np.concatenate([line.t_ns for line in lines]))
    levels = np.zeros(len(times), np.uint16)
    for bit, line in enumerate(lines):
        at = np.maximum(line.t_ns.searchsorted(times, "right") - 1, 0)
        levels |= (line.levels[at].astype(np.uint16) & np.uint16(1)) << np.uint16(bit)
    return Edges(times, levels, True, max(line.until_ns for line in lines))


def i2c(seed: int, *, nobody: bool = False) -> tuple[Edges, Edges]:
    """SCL and SDA; with `nobody`, a scan of all addresses that none acknowledges."""
    randomly = random.Random(seed)
    wave = Wave(10_000)
    for address in range(8, 120):
        wave.wait(randomly.randrange(50_000, 200_000))
        if nobody:
            wave.start().byte(address << 1, ack=False).stop()
        else:
            wave.transaction(address, randomly.randbytes(randomly.randrange(1, 6))).stop()
    both = [[(t, level >> bit & 1) for t, level in wave.rows] for bit in (0, 1)]
    return edges_of(both[0], wave.now_ns), edges_of(both[1], wave.now_ns)


def spi(seed: int) -> tuple[Edges, Edges]:
    """Clock and data that idles high, most significant bit first, of text."""
    t = 10_000
    clock, data = [(0, 0)], [(0, 1)]
    for value in b"reading 17 of 40: level 93, temperature 21.5 degrees" * 4:
        for shift in range(7, -1, -1):
            data.append((t, value >> shift & 1))
            clock += [(t + 500, 1), (t + 1_000, 0)]
            t += 1_000
        data.append((t, 1))
        t += 4_300 + seed
    return edges_of(clock, t), edges_of(data, t)


def pwm(period_ns: int, high_ns: int) -> Edges:
    rows = [(0, 0)]
    for t in range(1_000, 20_000_000, period_ns):
        rows += [(t, 1), (t + high_ns, 0)]
    return edges_of(rows, 20_000_000)


def test_logs_are_found_among_the_lines_of_other_buses() -> None:
    slow = log(2, 38_400).edges()
    wave = merged(*i2c(1), log(1).edges(), pwm(20_000, 1_500), *spi(1), inverted(slow))
    found = uart_lines(wave, list("abcdefg"))
    told = [(one.line, one.name, one.guess.baud, one.guess.inverted) for one in found]
    assert told == [(2, "c", 115_200, False), (6, "g", 38_400, True)]
    assert all(one.guess.text_share == 1.0 for one in found)


def test_a_line_that_says_little_is_found_beside_one_that_toggles_much() -> None:
    few = SerialWave(115_200).wait(20_000).text(b"ready\r\n" * 2).wait(20).edges()
    busy = np.arange(0, few.until_ns, 600)
    toggles = edges_of([(int(t), k % 2) for k, t in enumerate(busy)], few.until_ns)
    assert len(busy) > 250_000
    assert [one.line for one in uart_lines(merged(toggles, few), ["a", "b"])] == [1]


def test_the_reason_says_what_was_read() -> None:
    wave = log(3)
    (found,) = uart_lines(wave.edges(), ["x"])
    n = len(wave.sent)
    assert found.why == f"of {n} bytes at 115200 baud 8N1, {n} are whole and 100% are text"


@pytest.mark.parametrize("seed", range(3))
def test_lines_of_other_kinds_carry_no_text(seed: int) -> None:
    lines = (*i2c(seed), *i2c(seed, nobody=True), *spi(seed), pwm(20_000, 1_500), pwm(1_000, 300))
    assert uart_lines(merged(*lines), list("abcdefgh")) == []


@pytest.mark.parametrize("seed", range(3))
def test_the_data_of_an_i2c_bus_alone_is_no_text(seed: int) -> None:
    for nobody in (False, True):
        assert uart_lines(i2c(seed, nobody=nobody)[1], ["x"]) == []


@pytest.mark.parametrize(
    ("name", "count"), [("x", 0), ("TX", 1), ("uart0", 1), ("board.rxd", 1), ("Channel 3 - TX", 1)]
)
def test_bytes_that_are_no_text_need_a_name(name: str, count: int) -> None:
    assert len(uart_lines(binary(1).edges(), [name])) == count


@pytest.mark.parametrize("name", ["extra", "matrix", "txbuf_full"])
def test_names_that_only_contain_the_word_do_not_count(name: str) -> None:
    assert uart_lines(binary(2).edges(), [name]) == []


def test_lines_known_to_be_something_else_are_left_out() -> None:
    wave = merged(log(1).edges(), log(2).edges())
    assert [one.line for one in uart_lines(wave, ["a", "b"], taken={0})] == [1]


def test_text_may_have_letters_beyond_ascii_and_some_damage() -> None:
    wave = SerialWave(57_600).wait(30).text("Füllstand 93 %, 21 °C\r\n".encode() * 5)
    (found,) = uart_lines(wave.wait(30).edges(), ["x"])
    assert found.guess.text_share == 1.0


def test_no_bytes_are_no_text() -> None:
    nothing = Edges(np.empty(0, np.int64), np.empty(0, np.uint8), True, 0)
    assert uart_lines(nothing, ["a", "b"]) == []


def test_share_of_text_counts_good_bytes() -> None:
    rows = [(0, 1, ord("a"), 0), (1, 2, 0x01, 0), (2, 3, 0x02, 1), (3, 4, 10, 0), (4, 5, 0xFF, 0)]
    assert text_share(byte_rows(rows)) == 0.5
    assert text_share(byte_rows([])) == 0.0

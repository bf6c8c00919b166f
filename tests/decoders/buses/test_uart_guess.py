"""The baud found from the data, and lines that have none."""

from __future__ import annotations

import random

import numpy as np
import pytest

from decoders.buses.uart_format import UartFormat
from decoders.buses.uart_guess import STANDARD_BAUDS, guessed_baud
from decoders.captures.edges import Edges
from tests.decoders.buses.serial_wave import SerialWave, edges_of, inverted, sampled
from tests.decoders.buses.wave import Wave

TEXT = b"[00012] INFO boot ok\r\n[00057] WARN level=93 temp=21.5\r\n[00090] INFO ready\r\n"


def text_wave(
    baud: float, frame: UartFormat | None = None, *, data: bytes = TEXT, jitter_ns: int = 0
) -> SerialWave:
    wave = SerialWave(baud, frame, jitter_ns=jitter_ns).wait(30)
    return wave.text(data).wait(40).text(data[::-1], idle_bits=2.3).wait(12)


@pytest.mark.parametrize("baud", STANDARD_BAUDS)
def test_every_standard_baud_is_found_from_some_lines_of_text(baud: int) -> None:
    guess = guessed_baud(text_wave(baud).edges(), 0)
    assert guess is not None
    assert (guess.baud, str(guess.frame), guess.inverted, guess.bad) == (baud, "8N1", False, 0)
    assert guess.is_standard
    assert guess.bytes == 2 * len(TEXT)


@pytest.mark.parametrize("baud", [1_047, 10_417, 52_083, 98_000, 333_333, 700_000])
def test_odd_bauds_are_given_as_measured(baud: int) -> None:
    guess = guessed_baud(text_wave(baud).edges(), 0)
    assert guess is not None
    assert guess.baud == pytest.approx(baud, rel=1e-3)
    assert not guess.is_standard


# A divider of 9 at 16 MHz and 16x is -3.55 % off 115200, one of 17 at 8x +2.12 % (uart_spi.md).
@pytest.mark.parametrize(
    ("actual", "named"),
    [(16e6 / 8 / 17, 115_200), (16e6 / 16 / 9, 111_100), (16e6 / 16 / 104, 9_600)],
)
def test_a_baud_beside_a_standard_one_is_measured(actual: float, named: float) -> None:
    guess = guessed_baud(text_wave(actual).edges(), 0)
    assert guess is not None
    assert guess.baud == named
    assert guess.measured_baud == pytest.approx(actual, rel=2e-4)


@pytest.mark.parametrize("samples_a_bit", [4, 4.34, 5, 7.7, 16])
@pytest.mark.parametrize("phase", [0.0, 0.4, 0.99])
def test_a_sampled_line_is_found(samples_a_bit: float, phase: float) -> None:
    wave = sampled(text_wave(115_200).edges(), 1e9 / 115_200 / samples_a_bit, phase)
    guess = guessed_baud(wave, 0)
    assert guess is not None
    assert (guess.baud, guess.bad) == (115_200, 0)


def test_an_inverted_line_is_found_and_said_to_be() -> None:
    guess = guessed_baud(inverted(text_wave(9_600).edges()), 0)
    assert guess is not None
    assert (guess.baud, guess.inverted) == (9_600, True)


@pytest.mark.parametrize(
    ("frame", "found"),
    [
        (UartFormat(8, "even"), "8E1"),
        (UartFormat(8, "odd"), "8O1"),
        (UartFormat(7, "even"), "7E1"),
        (UartFormat(7, "odd"), "7O1"),
        (UartFormat(7), "7N1"),
        (UartFormat(9), "9N1"),
        (UartFormat(8, "none", 2), "8N1"),  # a receiver needs to know of one stop bit only
        (UartFormat(8, "mark"), "8N1"),  # a mark is a stop bit more
        (UartFormat(7, "space"), "8N1"),  # a space is a data bit that is 0
        (UartFormat(7, "none", 2), "7N1"),
    ],
)
def test_formats_are_told_when_they_differ(frame: UartFormat, found: str) -> None:
    wave = SerialWave(57_600, frame).wait(30)
    randomly = random.Random(4)
    for _ in range(300):
        top = 512 if frame.data_bits == 9 else 128
        wave.byte(randomly.randrange(top)).set(1).wait(randomly.choice((0, 0, 0, 3.3)))
    guess = guessed_baud(wave.wait(20).edges(), 0)
    assert guess is not None
    assert (guess.baud, str(guess.frame)) == (57_600, found)


@pytest.mark.parametrize("seed", range(5))
def test_some_damaged_bytes_do_not_hide_the_baud(seed: int) -> None:
    randomly = random.Random(seed)
    wave = SerialWave(115_200, jitter_ns=400, seed=seed).wait(30)
    for value in TEXT * 4:
        wave.byte(value, stop=int(randomly.random() > 0.02)).wait(0.2).set(1).wait(0.9)
    guess = guessed_baud(wave.wait(20).edges(), 0)
    assert guess is not None
    assert guess.baud == 115_200
    assert guess.bad > 0


@pytest.mark.parametrize("offset", range(1, 40, 3))
def test_a_capture_that_begins_inside_a_byte_is_found(offset: int) -> None:
    edges = text_wave(38_400).edges()
    levels = edges.levels[offset:].astype(np.uint8)
    guess = guessed_baud(Edges(edges.t_ns[offset:], levels, True, edges.until_ns), 0)
    assert guess is not None
    assert guess.baud == 38_400


def test_data_without_single_bits_are_read_in_their_true_bits() -> None:
    wave = SerialWave(19_200).wait(30)
    for value in (0x66, 0x99 ^ 0xFF, 0x1E, 0x06, 0x78, 0x60, 0x7E, 0x18) * 4:
        wave.byte(value, stop_bits=2)
    guess = guessed_baud(wave.wait(30).edges(), 0)
    assert guess is not None
    assert guess.baud == 19_200


def pulses(lengths: list[tuple[float, float]]) -> Edges:
    """High and low times in ns, one after another."""
    rows, t = [(0, 0)], 10_000.0
    for high, low in lengths:
        rows += [(round(t), 1), (round(t + high), 0)]
        t += high + low
    return edges_of(rows, round(t))


def servo(seed: int, steps: list[float]) -> Edges:
    """50 Hz, 1 to 2 ms."""
    randomly = random.Random(seed)
    width = [1e6 + 1e6 * randomly.choice(steps) for _ in range(200)]
    return pulses([(high, 20e6 - high) for high in width])


def echoes(seed: int) -> Edges:
    """Pulses of any length, as of a ranging sensor."""
    randomly = random.Random(seed)
    uniform = randomly.uniform
    return pulses([(uniform(150e3, 25e6), uniform(30e6, 60e6)) for _ in range(300)])


def noise(seed: int) -> Edges:
    randomly = random.Random(seed)
    return pulses([(randomly.expovariate(1e-4), randomly.expovariate(1e-4)) for _ in range(800)])


def i2c_line(seed: int, line: int, period_ns: int) -> Edges:
    randomly = random.Random(seed)
    wave = Wave(period_ns)
    for _ in range(60):
        wave.wait(randomly.randrange(50_000, 2_000_000))
        if randomly.random() < 0.3:
            wave.start().byte(randomly.randrange(256), ack=False).stop()
            continue
        data = randomly.randbytes(randomly.randrange(1, 9))
        wave.transaction(randomly.randrange(8, 120), data, read=randomly.random() < 0.5).stop()
    edges = wave.edges()
    return Edges(edges.t_ns, (edges.levels >> np.uint8(line)).astype(np.uint8), True, wave.now_ns)


def spi_line(seed: int, which: str, *, idle: int = 0) -> Edges:
    """Clock, data or select of a mode 0 bus at 1 MHz with words of 8 bits."""
    randomly = random.Random(seed)
    t = 10_000
    rows = {"clock": [(0, 0)], "data": [(0, idle)], "select": [(0, 1)]}
    for _ in range(150):
        rows["select"].append((t, 0))
        for _ in range(randomly.randrange(1, 5)):
            for _ in range(8):
                rows["data"].append((t + 100, randomly.randrange(2)))
                rows["clock"] += [(t + 500, 1), (t + 1_000, 0)]
                t += 1_000
            t += randomly.choice((0, 700))
        rows["data"].append((t + 200, idle))
        rows["select"].append((t + 500, 1))
        t += randomly.randrange(20_000, 60_000)
    return edges_of(rows[which], t)


SEEDS = range(2)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_servo_is_no_uart(seed: int) -> None:
    assert guessed_baud(servo(seed, [0.0, 0.25, 0.5, 0.75, 1.0]), 0) is None
    assert guessed_baud(servo(seed, [k / 180 for k in range(181)]), 0) is None


@pytest.mark.parametrize("duty", [0.02, 0.1, 0.25, 1 / 3, 0.5, 0.75, 0.9])
def test_a_steady_pulse_train_is_no_uart(duty: float) -> None:
    period_ns = 50_000
    edges = pulses([(period_ns * duty, period_ns * (1 - duty))] * 400)
    assert guessed_baud(edges, 0) is None


@pytest.mark.parametrize("seed", SEEDS)
def test_a_pulse_train_of_changing_duty_is_no_uart(seed: int) -> None:
    randomly = random.Random(seed)
    duties = [randomly.choice((0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8)) for _ in range(400)]
    assert guessed_baud(pulses([(50e3 * duty, 50e3 * (1 - duty)) for duty in duties]), 0) is None


@pytest.mark.parametrize("seed", SEEDS)
def test_noise_and_echoes_are_no_uart(seed: int) -> None:
    assert guessed_baud(noise(seed), 0) is None
    assert guessed_baud(echoes(seed), 0) is None


@pytest.mark.parametrize("period_ns", [10_000, 2_500, 20_000])
@pytest.mark.parametrize("line", [0, 1])
@pytest.mark.parametrize("seed", SEEDS)
def test_the_lines_of_an_i2c_bus_are_no_uart(seed: int, line: int, period_ns: int) -> None:
    assert guessed_baud(i2c_line(seed, line, period_ns), 0) is None


@pytest.mark.parametrize("which", ["clock", "select", "data"])
@pytest.mark.parametrize("seed", SEEDS)
def test_the_lines_of_an_spi_bus_are_no_uart(seed: int, which: str) -> None:
    assert guessed_baud(spi_line(seed, which), 0) is None


def test_too_few_bytes_tell_no_baud() -> None:
    assert guessed_baud(SerialWave(9_600).wait(30).text(b"OK\r\n").wait(30).edges(), 0) is None


def test_one_byte_over_and_over_tells_no_baud() -> None:
    assert guessed_baud(SerialWave(9_600).wait(30).text(b"U" * 200).wait(30).edges(), 0) is None


@pytest.mark.parametrize("rows", [[(0, 1)], [(0, 0)], [(0, 1), (5, 0)], [(0, 0), (5, 1), (9, 0)]])
def test_a_line_that_hardly_moves_tells_no_baud(rows: list[tuple[int, int]]) -> None:
    assert guessed_baud(edges_of(rows, 1_000), 0) is None

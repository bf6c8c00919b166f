"""UART: published bits, times and tolerances, round trips, and other channels."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest

from decoders.buses.serial_bytes import concatenated
from decoders.buses.uart import UartDecoder
from decoders.buses.uart_format import Parity, SampleClock, UartFormat, bearable_percent
from decoders.captures.edges import Edges
from decoders.prints.lines import Arrivals
from decoders.prints.prints import PrintDecoder
from tests.decoders.buses.serial_wave import (
    BAUD,
    BIT_NS,
    Byte,
    SerialWave,
    blocks_of,
    bytes_of,
    decoded,
    decoder_of,
    edges_of,
    idle_wave,
    inverted,
    sampled,
    values,
)


# Example bit patterns of 8N1, start bit first: uart_spi.md (least significant bit first).
@pytest.mark.parametrize(
    ("value", "bits"), [(0x55, "0101010101"), (0xA9, "0100101011"), (0x00, "0000000001")]
)
def test_example_bit_patterns_are_read(value: int, bits: str) -> None:
    wave = idle_wave().bits([int(bit) for bit in bits]).wait(20)
    start_ns = 15 * BIT_NS
    assert bytes_of(wave.edges(), BAUD) == [Byte(start_ns, start_ns + 10 * BIT_NS, value)]


# Bit and 8N1 byte in us, bytes a second, and bytes in 16 ms: uart_spi.md, "Times".
TIMES = [
    (9_600, 104.17, 1041.7, 960, 15),
    (19_200, 52.08, 520.8, 1_920, 30),
    (57_600, 17.36, 173.6, 5_760, 92),
    (115_200, 8.681, 86.81, 11_520, 184),
    (230_400, 4.340, 43.40, 23_040, 368),
    (921_600, 1.085, 10.85, 92_160, 1_474),
]


@pytest.mark.parametrize(("baud", "bit_us", "byte_us", "a_second", "in_16_ms"), TIMES)
def test_bytes_take_the_published_times(
    baud: int, bit_us: float, byte_us: float, a_second: int, in_16_ms: int
) -> None:
    wave = idle_wave(baud).text(b"U" * (in_16_ms + 3))
    rows = bytes_of(wave.wait(20).edges(), baud)
    assert SampleClock(UartFormat(), baud).bit_ns == pytest.approx(bit_us * 1_000, rel=2e-4)
    assert rows[0].end_ns - rows[0].start_ns == pytest.approx(byte_us * 1_000, rel=2e-4)
    per_byte_ns = (rows[-1].start_ns - rows[0].start_ns) / (len(rows) - 1)
    assert 1e9 / per_byte_ns == pytest.approx(a_second, rel=1e-4)
    assert sum(row.end_ns - rows[0].start_ns <= 16_000_000 for row in rows) == in_16_ms


# Bit times of a byte: 10 for 8N1, 11 for 8E1 and 8N2 (uart_spi.md, "UART frame").
@pytest.mark.parametrize(
    ("frame", "bits"),
    [
        (UartFormat(), 10),
        (UartFormat(8, "even"), 11),
        (UartFormat(8, "none", 2), 11),
        (UartFormat(5, "none", 1.5), 7.5),
        (UartFormat(9, "odd", 2), 13),
    ],
)
def test_a_frame_lasts_its_bits(frame: UartFormat, bits: float) -> None:
    assert frame.frame_bits == bits
    (row,) = bytes_of(idle_wave(BAUD, frame).byte(0x15).wait(20).edges(), BAUD, frame)
    assert row.end_ns - row.start_ns == bits * BIT_NS


# ATmega8A data sheet, tables 24-2 and 24-3, by data and parity bits: Rslow and Rfast in percent
# (16 samples a bit; the last row 8 samples a bit), and recommended error of each end.
TOLERANCES = [
    (5, 16, 93.20, 106.67, 3.0),
    (6, 16, 94.12, 105.79, 2.5),
    (7, 16, 94.81, 105.11, 2.0),
    (8, 16, 95.36, 104.58, 2.0),
    (9, 16, 95.81, 104.14, 1.5),
    (10, 16, 96.17, 103.78, 1.5),
    (8, 8, 96.00, 103.90, 1.5),
]


def frame_of(bits: int) -> UartFormat:
    """Five to eight data bits, or eight or nine and a parity bit."""
    return UartFormat(bits) if bits <= 8 else UartFormat(bits - 1, "even")


@pytest.mark.parametrize(("bits", "samples", "slow", "fast", "recommended"), TOLERANCES)
def test_bytes_are_right_within_the_published_tolerance(
    bits: int, samples: int, slow: float, fast: float, recommended: float
) -> None:
    middle, late = samples // 2, samples // 2 + 1
    assert slow == pytest.approx(100 * (bits + 1) * samples / (samples - 1 + bits * samples + middle), abs=0.02)  # fmt: skip  # noqa: E501
    assert fast == pytest.approx(100 * (bits + 2) * samples / ((bits + 1) * samples + late), abs=0.02)  # fmt: skip  # noqa: E501
    frame = frame_of(bits)
    data = random.Random(bits).choices(range(1 << frame.data_bits), k=200)
    for percent in (slow, 100 - 2 * recommended, 100 + 2 * recommended, fast):
        wave = idle_wave(BAUD * percent / 100, frame)
        for value in data:  # end to end, and all of the tolerance used
            wave.byte(value)
        rows = bytes_of(wave.wait(20).edges(), BAUD, frame)
        assert (values(rows), {row.problems for row in rows}) == (data, {()})


# 0.5 / 9.5 = 5.26 % for 8N1 with the last sample in the middle of the stop bit (uart_spi.md).
@pytest.mark.parametrize(("percent", "is_right"), [(94.8, True), (94.7, False)])
def test_a_slow_sender_is_read_up_to_the_ideal_limit(percent: float, is_right: bool) -> None:
    data = [0xFF, 0x00, 0x55, 0x7F, 0x80] * 20  # the last bit before the stop bit matters
    wave = idle_wave(BAUD * percent / 100).text(bytes(data), idle_bits=3).wait(20)
    rows = bytes_of(wave.edges(), BAUD)
    assert (values(rows) == data and not any(row.problems for row in rows)) == is_right


@pytest.mark.parametrize(("percent", "is_right"), [(105.2, True), (105.4, False)])
def test_a_fast_sender_is_read_up_to_the_ideal_limit(percent: float, is_right: bool) -> None:
    data = [0xFF, 0x00, 0x55, 0x7F, 0x80] * 20
    wave = idle_wave(BAUD * percent / 100).text(bytes(data)).wait(20)
    rows = bytes_of(wave.edges(), BAUD)
    assert (values(rows) == data and not any(row.problems for row in rows)) == is_right


# Error of a divided clock in percent: 16 MHz, uart_spi.md, "Divider examples".
@pytest.mark.parametrize(
    ("baud", "samples", "divisor", "percent"),
    [
        (115_200, 16, 9, -3.55),
        (115_200, 8, 17, 2.12),
        (57_600, 16, 17, 2.12),
        (9_600, 16, 104, 0.16),
    ],
)
def test_baud_error_of_a_divided_clock_is_measured(
    baud: int, samples: int, divisor: int, percent: float
) -> None:
    wave = idle_wave(16e6 / samples / divisor).text(random.Random(1).randbytes(200), 1).wait(20)
    decoder = decoder_of(UartFormat(), baud)
    # -3.55 % is printed; 16 MHz / 16 / 9 is 111111, and 111111 / 115200 - 1 is -3.55 %.
    assert len(decoded(decoder, [wave.edges()])) == 200
    error = decoder.baud_error()
    assert error is not None
    assert error.ppm / 10_000 == pytest.approx(percent, abs=0.005)
    assert error.measured_baud == pytest.approx(16e6 / samples / divisor, rel=1e-5)


def test_baud_error_is_not_known_before_a_byte_has_falls() -> None:
    decoder = decoder_of(UartFormat(), BAUD)
    assert decoded(decoder, [idle_wave().text(b"\xff\x00\xff").wait(20).edges()]) != []
    assert decoder.baud_error() is None


def test_baud_error_counts_falls_alone_since_rises_may_be_slow() -> None:
    rows = idle_wave().text(random.Random(2).randbytes(100)).wait(20).rows
    late = [(t + (2_500 if level else 0), level) for t, level in rows[1:]]
    decoder = decoder_of(UartFormat(), BAUD)
    assert len(decoded(decoder, [edges_of([rows[0], *late], 99_000_000)])) == 100
    error = decoder.baud_error()
    assert error is not None
    assert error.ppm == pytest.approx(0, abs=1)


BAUDS = (1_200, 9_600, 115_200, 921_600, 12_345)
PARITIES: tuple[Parity, ...] = ("none", "even", "odd", "mark", "space")


@pytest.mark.parametrize("baud", BAUDS)
@pytest.mark.parametrize("parity", PARITIES)
@pytest.mark.parametrize("data_bits", range(5, 10))
@pytest.mark.parametrize("stop_bits", [1, 1.5, 2])
def test_what_was_sent_is_read_back(
    baud: int, parity: Parity, data_bits: int, stop_bits: float
) -> None:
    frame = UartFormat(data_bits, parity, stop_bits)
    randomly = random.Random(f"{baud} {frame}")
    error = 1 + randomly.uniform(-0.02, 0.02)
    jitter_ns = int(0.1e9 / baud)
    wave = SerialWave(baud * error, frame, jitter_ns=jitter_ns, seed=data_bits).wait(20)
    for _ in range(30):
        wave.byte(randomly.randrange(1 << data_bits)).wait(randomly.choice((0, 0, 0.3, 7, 40)))
    rows = bytes_of(wave.wait(20).edges(), baud, frame)
    assert values(rows) == wave.sent
    assert [row.start_ns for row in rows] == wave.starts
    assert {row.problems for row in rows} == {()}
    assert all(one.end_ns <= other.start_ns for one, other in pairwise(rows))


@pytest.mark.parametrize("samples_a_bit", [4, 4.34, 5, 8, 16.1])
@pytest.mark.parametrize("percent", [98, 100, 102])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.99])
def test_sampled_captures_are_read(samples_a_bit: float, percent: int, phase: float) -> None:
    data = random.Random(3).randbytes(200)
    wave = idle_wave(1_152 * percent).text(data).wait(20)
    period_ns = 1e9 / 115_200 / samples_a_bit
    rows = bytes_of(sampled(wave.edges(), period_ns, phase), 115_200)
    assert bytes(values(rows)) == data
    late = [row.start_ns - start for row, start in zip(rows, wave.starts, strict=True)]
    assert min(late) >= 0
    assert max(late) <= period_ns + 1


def test_an_inverted_line_reads_the_same() -> None:
    edges = idle_wave().text(b"inverted").low(30).wait(20).edges()
    decoder = UartDecoder(0, baud=BAUD, inverted=True, wait_ns=None)
    assert decoded(decoder, [inverted(edges)]) == bytes_of(edges, BAUD)


@pytest.mark.parametrize("bit", [3, 7, 20, 63])
def test_other_channels_do_not_matter(bit: int) -> None:
    edges = idle_wave().text(b"among others").wait(20).edges()
    times = np.unique(np.concatenate([edges.t_ns, np.arange(0, edges.until_ns, 3_333)]))
    level = edges.levels[edges.t_ns.searchsorted(times, "right") - 1].astype(np.uint64)
    other = np.arange(len(times), dtype=np.uint64) % np.uint64(2)
    words = level << np.uint64(bit) | other << np.uint64(bit - 1)
    levels = words.astype(np.uint8) if bit < 8 else words
    decoder = decoder_of(UartFormat(), BAUD, line=bit)
    assert decoded(decoder, [Edges(times, levels, True, edges.until_ns)]) == bytes_of(edges, BAUD)


def test_many_blocks_read_as_one() -> None:
    data, copies = random.Random(5).randbytes(4_000), 8  # more edges than are worked on at once
    part = idle_wave().text(data).wait(20).edges()
    shift = np.arange(copies) * part.until_ns
    t_ns = (part.t_ns[1:] + shift[:, None]).reshape(-1)
    levels = np.tile(part.levels[1:].astype(np.uint8), copies)
    levels = np.concatenate([np.ones(1, np.uint8), levels])
    edges = Edges(np.append(0, t_ns), levels, True, copies * part.until_ns)
    assert len(edges.t_ns) > 1 << 17
    whole = bytes_of(edges, BAUD)
    assert bytes(values(whole)) == copies * data
    pieces = blocks_of(edges, range(0, len(edges.t_ns), 7_001))
    assert decoded(UartDecoder(0, baud=BAUD), pieces) == whole


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"line": 64}, "line is 64"),
        ({"line": -1}, "line is -1"),
        ({"baud": 0}, "baud is 0"),
        ({"baud": 1e9}, "baud is 1000000000.0"),
        ({"data_bits": 4}, "data_bits is 4"),
        ({"data_bits": 10}, "data_bits is 10"),
        ({"parity": "None"}, "parity is 'None'"),
        ({"stop_bits": 3}, "stop_bits is 3"),
    ],
)
def test_impossible_settings_are_refused(
    arguments: dict[str, int | float | str], said: str
) -> None:
    settings = {"line": 0, "baud": BAUD, **arguments}
    with pytest.raises(ValueError, match=said):
        UartDecoder(**settings)  # type: ignore[arg-type]


def test_a_line_that_the_capture_lacks_is_refused() -> None:
    with pytest.raises(ValueError, match="line 9 of 8 lines"):
        UartDecoder(9, baud=BAUD).feed(edges_of([(0, 1)], 5))


@pytest.mark.parametrize("size", [1, 100, 1 << 20])
def test_lines_of_text_get_the_time_of_their_first_start_edge(size: int) -> None:
    wave = idle_wave(115_200)
    first = []
    for line in (b"[12] boot\r\n", b"\r\n", b"[15] level 93\r\n", b"ready\n"):
        first.append((len(wave.sent), line))
        wave.text(line).wait(40)
    decoder, prints = UartDecoder(0, baud=115_200), PrintDecoder("tx", live=True)
    edges = wave.edges()
    given = []
    for block in [*blocks_of(edges, range(0, len(edges.t_ns), size)), None]:
        table = decoder.feed(block) if block else decoder.finish()
        read = table.value >= 0
        arrivals = Arrivals(np.arange(np.count_nonzero(read)), table.start_ns[read])
        if len(arrivals.first):
            text = table.value[read].astype(np.uint8).tobytes()
            given.append(prints.feed_parts(text, arrivals))
    given.append(prints.finish())
    arrived = [int(t_ns) for part in given for t_ns in part.arrival_ns]
    assert arrived == [wave.starts[at] for at, line in first if line.strip()]


def test_no_tables_are_a_table_of_no_rows() -> None:
    assert len(concatenated([])) == 0


# Microchip ATmega8A data sheet, tables 24-2 (16 samples a bit): by data and parity bits. The sheet
# prints -4.54 for eight; its own formula and its Rslow of 95.36 give -4.64.
@pytest.mark.parametrize(
    ("frame", "slow", "fast"),
    [
        (UartFormat(5), -6.80, 6.67),
        (UartFormat(6), -5.88, 5.79),
        (UartFormat(7), -5.19, 5.11),
        (UartFormat(8), -4.64, 4.58),
        (UartFormat(8, "even"), -4.19, 4.14),
        (UartFormat(9, "odd"), -3.83, 3.78),
    ],
)
def test_what_a_receiver_bears_is_the_published_share(
    frame: UartFormat, slow: float, fast: float
) -> None:
    assert bearable_percent(frame) == pytest.approx((slow, fast), abs=6e-3)

"""UART: every fault by itself, and what is not observed."""

from __future__ import annotations

import pytest

from decoders.buses.uart import UartDecoder
from decoders.buses.uart_format import Parity, UartFormat
from tests.decoders.buses.serial_wave import (
    BAUD,
    BIT_NS,
    Byte,
    SerialWave,
    bytes_of,
    decoded,
    decoder_of,
    edges_of,
    idle_wave,
    rows_of,
    values,
)


def test_an_idle_line_carries_nothing() -> None:
    assert bytes_of(edges_of([(0, 1)], 10**9), BAUD) == []


def test_a_stop_bit_that_is_low_is_a_framing_error() -> None:
    wave = idle_wave().byte(0x41).byte(0x42, stop=0).set(1).wait(3).byte(0x43).wait(20)
    rows = bytes_of(wave.edges(), BAUD)
    assert [(row.value, row.problems) for row in rows] == [
        (0x41, ()),
        (0x42, ("framing",)),
        (0x43, ()),
    ]


@pytest.mark.parametrize("parity", ["even", "odd", "mark", "space"])
def test_a_wrong_parity_bit_is_a_parity_error(parity: Parity) -> None:
    frame = UartFormat(8, parity)
    wave = idle_wave(BAUD, frame).byte(0x41).byte(0x42, wrong_parity=True).byte(0x43).wait(20)
    rows = bytes_of(wave.edges(), BAUD, frame)
    assert [row.problems for row in rows] == [(), ("parity",), ()]
    assert values(rows) == [0x41, 0x42, 0x43]


# A break is a low for longer than a whole frame (uart_spi.md).
@pytest.mark.parametrize(
    ("low_bits", "problems"),
    [(9.4, ()), (9.5, ("framing",)), (10, ("framing",)), (10.1, ("break",)), (500, ("break",))],
)
def test_a_low_for_longer_than_a_frame_is_a_break(
    low_bits: float, problems: tuple[str, ...]
) -> None:
    wave = idle_wave().low(low_bits).wait(4).byte(0x41).wait(20)
    first, second = bytes_of(wave.edges(), BAUD)
    assert (first.start_ns, first.value, first.problems) == (15 * BIT_NS, 0, problems)
    assert (second.value, second.problems) == (0x41, ())
    lasts_ns = first.end_ns - first.start_ns
    assert lasts_ns == (low_bits * BIT_NS if low_bits > 10 else 10 * BIT_NS)


def test_a_break_that_begins_inside_a_byte_ends_that() -> None:
    wave = idle_wave().bits([0, 1, 0, 1, 1]).low(50).wait(20).byte(0x41).wait(20)
    broken, lasting, good = bytes_of(wave.edges(), BAUD)
    at_ns = 20 * BIT_NS
    assert broken == Byte(15 * BIT_NS, at_ns, 0b1101, ("framing",))
    assert lasting == Byte(at_ns, at_ns + 50 * BIT_NS, 0, ("break",))
    assert (good.value, good.problems) == (0x41, ())


def test_a_break_that_lasts_is_told_when_asked() -> None:
    edges = idle_wave().byte(0x41).wait(5).set(0).wait(900).edges()
    decoder = UartDecoder(0, baud=BAUD, wait_ns=0)
    assert values(rows_of(decoder.feed(edges))) == [0x41]
    lasting = rows_of(decoder.unfinished())
    assert [(row.value, row.problems) for row in lasting] == [(0, ("break", "cut"))]
    assert lasting[0].end_ns == edges.until_ns
    assert rows_of(decoder.finish()) == lasting


def test_a_byte_is_given_as_soon_as_its_stop_bit_is_over() -> None:
    edges = idle_wave().byte(0x41).wait(1).edges()
    decoder = UartDecoder(0, baud=BAUD, wait_ns=0)
    assert values(rows_of(decoder.feed(edges))) == [0x41]


@pytest.mark.parametrize(("bits", "value"), [(1.0, -1), (5.5, -1), (8.4, -1), (8.6, 0x41)])
def test_a_byte_cut_by_the_end_says_so(bits: float, value: int) -> None:
    wave = idle_wave().byte(0x31).byte(0x41)
    until_ns = wave.starts[1] + int(bits * BIT_NS)
    rows = [(t, level) for t, level in wave.rows if t <= until_ns]
    first, cut = bytes_of(edges_of(rows, until_ns), BAUD)
    assert (first.value, first.problems) == (0x31, ())
    assert cut == Byte(wave.starts[1], until_ns, value, ("cut",))


def test_a_byte_whose_stop_bit_was_seen_is_whole() -> None:
    wave = idle_wave().byte(0x41)
    until_ns = wave.starts[0] + int(9.6 * BIT_NS)
    (row,) = bytes_of(edges_of(wave.rows, until_ns), BAUD)
    assert row == Byte(wave.starts[0], until_ns, 0x41)


def test_a_gap_in_what_was_observed_cuts_a_byte() -> None:
    wave = idle_wave().byte(0x41).byte(0x42)
    cut_ns = wave.starts[1] + 3 * BIT_NS
    before = edges_of([row for row in wave.rows if row[0] <= cut_ns], cut_ns)
    after = SerialWave(BAUD, at_ns=cut_ns + 10**6).wait(12).byte(0x43).wait(20)
    rows = decoded(decoder_of(UartFormat(), BAUD), [before, after.edges()])
    assert [(row.value, row.problems) for row in rows] == [(0x41, ()), (-1, ("cut",)), (0x43, ())]
    assert rows[1].end_ns == cut_ns


def test_bytes_are_marked_until_the_line_was_idle_for_a_frame() -> None:
    wave = SerialWave(BAUD, high=False).wait(2.5).set(1).wait(2)
    wave.text(b"ab").wait(3).text(b"cd").wait(10).text(b"ef").wait(20)
    rows = bytes_of(wave.edges(), BAUD)
    assert bytes(values(rows)) == b"abcdef"
    assert [row.problems for row in rows] == [("unsynced",)] * 4 + [()] * 2


def test_sixteen_stop_bits_in_a_row_are_proof_enough() -> None:
    rows = bytes_of(
        SerialWave(BAUD).wait(2).text(b"no pause in all of this").wait(20).edges(), BAUD
    )
    assert [row.problems for row in rows] == [("unsynced",)] * 16 + [()] * 7


def test_observation_that_begins_in_a_break_says_so() -> None:
    wave = SerialWave(BAUD, high=False).wait(30).set(1).wait(3).byte(0x41).wait(20)
    broken, good = bytes_of(wave.edges(), BAUD)
    assert broken == Byte(0, 30 * BIT_NS, 0, ("break", "cut"))
    assert (good.value, good.problems) == (0x41, ())


def test_a_line_that_is_low_all_the_time_is_one_break() -> None:
    assert bytes_of(edges_of([(0, 0)], 10**9), BAUD) == [Byte(0, 10**9, 0, ("break", "cut"))]


def test_a_low_shorter_than_half_a_bit_begins_nothing() -> None:
    wave = idle_wave().low(0.45).wait(12).byte(0x41).wait(20).low(0.2).wait(20)
    decoder = decoder_of(UartFormat(), BAUD)
    rows = decoded(decoder, [wave.edges()])
    assert [(row.value, row.problems) for row in rows] == [(0x41, ())]
    assert decoder.rejected == 2


@pytest.mark.parametrize("level", [0, 1])
def test_a_short_pulse_inside_a_byte_is_a_glitch(level: int) -> None:
    wave = idle_wave().set(0).wait(1).bits([level] * 3).wait(0.1)
    wave.set(1 - level).wait(0.2).set(level).wait(0.7).bits([level] * 4).set(1).wait(20)
    (row,) = bytes_of(wave.edges(), BAUD)
    assert (row.value, row.problems) == (0xFF * level, ("glitch",))


@pytest.mark.parametrize(("stop_bits", "problems"), [(2, ()), (1.4, ("short-stop",))])
def test_a_second_stop_bit_that_is_missing_is_told(
    stop_bits: float, problems: tuple[str, ...]
) -> None:
    frame = UartFormat(8, "none", 2)
    wave = idle_wave(BAUD, frame).byte(0x41, stop_bits=stop_bits).byte(0x42).wait(20)
    rows = bytes_of(wave.edges(), BAUD, frame)
    assert [(row.value, row.problems) for row in rows] == [(0x41, problems), (0x42, ())]

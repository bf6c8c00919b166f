"""SPI: modes, orders, lengths, selects, and every fault by itself."""

from __future__ import annotations

import pytest

from decoders.buses.spi import SpiDecoder
from decoders.buses.spi_format import Select, SpiFormat, SpiLines
from decoders.buses.spi_guess import Asked, guessed_format
from decoders.buses.spi_roles import spi_by_behaviour, spi_by_name
from decoders.captures.edges import Edges
from tests.decoders.buses.spi_wave import CS, MISO, MOSI, OTHER, SCK, SpiWave, Word, rows_of

ONE = SpiLines(SCK, MOSI, MISO, (Select(CS),))
TWO = SpiLines(SCK, MOSI, MISO, (Select(CS), Select(OTHER, active_high=True)))


def decoded(wave: SpiWave, lines: SpiLines = ONE, pause_ns: int | None = None) -> list[Word]:
    decoder = SpiDecoder(lines, wave.form, pause_ns=pause_ns)
    return rows_of(decoder.feed(wave.edges())) + rows_of(decoder.finish())


def data(rows: list[Word]) -> list[tuple[int, int, int, tuple[str, ...]]]:
    return [(row.mosi, row.miso, row.bits, row.problems) for row in rows]


# Microchip data sheets, "SPI Transfer Modes": mode, idle level of the clock, sampling edge.
@pytest.mark.parametrize(
    ("mode", "idles_high", "samples_rising"),
    [(0, False, True), (1, False, False), (2, True, False), (3, True, True)],
)
def test_the_modes_are_those_of_the_published_table(
    mode: int, idles_high: bool, samples_rising: bool
) -> None:
    form = SpiFormat(mode)
    assert (form.idles_high, form.samples_rising) == (idles_high, samples_rising)
    wave = SpiWave(form).wait(5_000).select().word(0xA9, 0x53).select(on=False)
    (row,) = decoded(wave)
    assert (row.mosi, row.miso, row.problems) == (0xA9, 0x53, ())
    edges = [t for (t, level), (_, before) in zip(wave.rows[1:], wave.rows, strict=False)
             if (level ^ before) >> SCK & 1]  # fmt: skip
    assert row.start_ns == edges[0]
    assert row.end_ns == edges[-1 if mode % 2 else -2]


@pytest.mark.parametrize(("lsb_first", "value"), [(False, 0b1101), (True, 0b1011)])
def test_the_bit_order_is_the_users(lsb_first: bool, value: int) -> None:
    wave = SpiWave(SpiFormat(0, 4)).wait(5_000).select().word(0b1101).select(on=False)
    decoder = SpiDecoder(ONE, SpiFormat(0, 4, lsb_first))
    (row,) = rows_of(decoder.feed(wave.edges()))
    assert row.mosi == value


def test_a_select_that_ends_inside_a_word_cuts_it() -> None:
    wave = SpiWave(SpiFormat()).wait(5_000).select().word(0x11, 0x22).bits(0xF0, 0x50, 5)
    wave.select(on=False)
    end_ns = wave.now_ns - wave.half_ns
    first, second = decoded(wave)
    assert (first.mosi, first.miso, first.bits, first.problems) == (0x11, 0x22, 8, ())
    assert (second.mosi, second.miso, second.bits) == (0b11110, 0b01010, 5)
    assert (second.end_ns, second.problems) == (end_ns, ("cut",))


def test_clocks_without_a_select_are_one_row_a_stretch() -> None:
    wave = SpiWave(SpiFormat()).wait(5_000).bits(0xFF, 0, 3).wait(90_000).bits(0xFF, 0, 2)
    wave.select().word(0x42).select(on=False).bits(0, 0, 1)
    assert [(row.bits, row.device, row.problems) for row in decoded(wave)] == [
        (5, 255, ("unselected",)),
        (8, 0, ()),
        (1, 255, ("unselected",)),
    ]


@pytest.mark.parametrize(("width_ns", "problem"), [(49, "select-glitch"), (50, "no-clock")])
def test_a_select_without_a_clock_is_told_by_its_length(width_ns: int, problem: str) -> None:
    wave = SpiWave(SpiFormat()).wait(5_000).set(CS, 0).wait(width_ns).set(CS, 1).wait(3_000)
    assert decoded(wave) == [Word(5_000, 5_000 + width_ns, 0, 0, 0, 0, (problem,))]


def test_a_deselect_too_short_to_be_meant_cuts_and_is_told() -> None:
    wave = SpiWave(SpiFormat()).wait(5_000).select().bits(0xFF, 0, 3)
    wave.set(CS, 1).wait(20).set(CS, 0).wait().bits(0xFF, 0, 5).select(on=False)
    assert [(row.bits, row.problems) for row in decoded(wave)] == [
        (3, ("cut",)),
        (5, ("cut", "select-glitch")),
    ]


def test_two_devices_at_once_are_told_of_both() -> None:
    wave = SpiWave(SpiFormat()).wait(5_000).select(CS).word(0x31).select(OTHER).word(0x32)
    wave.select(CS, on=False).word(0x33).select(OTHER, on=False)
    assert [(row.device, row.mosi, row.problems) for row in decoded(wave, TWO)] == [
        (0, 0x31, ()),
        (0, 0x32, ("several-selected",)),
        (1, 0x32, ("several-selected",)),
        (1, 0x33, ()),
    ]


def test_a_clock_at_the_wrong_level_is_told() -> None:
    wave = SpiWave(SpiFormat(3)).wait(5_000).select().word(0x42).select(on=False)
    (row,) = rows_of(SpiDecoder(ONE, SpiFormat(0)).feed(wave.edges()))
    assert (row.mosi, row.problems) == (0x42, ("idle-level",))


def test_observation_that_begins_or_ends_in_a_select_says_so() -> None:
    wave = SpiWave(SpiFormat()).wait(5_000).select().word(0x42).bits(0, 0, 2)
    edges = wave.edges()
    late = Edges(edges.t_ns[4:], edges.levels[4:], True, edges.until_ns)
    decoder = SpiDecoder(ONE, wave.form)
    rows = rows_of(decoder.feed(late)) + rows_of(decoder.finish())
    assert rows[0].problems[0] == "unsynced"
    assert rows[-1].problems == ("unsynced", "not-observed")
    assert rows[-1].end_ns == edges.until_ns


def test_pauses_part_words_where_there_is_no_select() -> None:
    lines = SpiLines(SCK, MOSI, None)
    wave = SpiWave(SpiFormat()).wait(50_000).word(0x41).word(0x42).wait(50_000).bits(0x43, 0, 6)
    wave.wait(50_000).word(0x44)
    assert data(decoded(wave, lines, 8_000)) == [
        (0x41, 0, 8, ()),
        (0x42, 0, 8, ()),
        (0x43 >> 2, 0, 6, ("cut",)),
        (0x44, 0, 8, ()),
    ]


def test_lines_that_cannot_be_a_bus_are_refused() -> None:
    with pytest.raises(ValueError, match="neither MOSI nor MISO"):
        SpiLines(0, None, None)
    with pytest.raises(ValueError, match="one has two roles"):
        SpiLines(0, 1, 1)
    with pytest.raises(ValueError, match="pause_ns"):
        SpiDecoder(SpiLines(0, 1, None), SpiFormat())


@pytest.mark.parametrize("bits", [3, 33])
def test_a_word_length_out_of_range_is_refused(bits: int) -> None:
    with pytest.raises(ValueError, match=f"word_bits is {bits}"):
        SpiFormat(0, bits)


def test_data_that_never_change_leave_the_sampling_edge_open() -> None:
    wave = SpiWave(SpiFormat(3)).wait(5_000)
    for _ in range(20):
        wave.select().word(0xFF, 0xFF).select(on=False).wait(20_000)
    guess = guessed_format(wave.edges(), Asked(SCK, MOSI, MISO, ((CS, None),)))
    assert guess.form.mode == 2
    assert guess.told == ("its clock idles high",)
    assert guess.assumed[0].startswith("data are sampled at the leading edge")


@pytest.mark.parametrize(
    ("channels", "expected"),
    [
        (["SCK", "MOSI", "MISO", "CS0", "CS1"], [("spi", 0, 1, 2, [3, 4])]),
        (["bus.sclk", "bus.copi", "bus.cs_n"], [("spi", 0, 1, None, [2])]),
        (
            ["a_sck", "a_miso", "b_sck", "b_mosi", "b_ss"],
            [("a", 0, None, 1, []), ("b", 2, 3, None, [4])],
        ),
        (["scl", "sda", "tx"], []),
        (["clk", "data"], []),
    ],
)  # fmt: skip
def test_lines_are_told_by_their_names(
    channels: list[str], expected: list[tuple[str, int, int | None, int | None, list[int]]]
) -> None:
    found = [
        (r.name, r.asked.sck, r.asked.mosi, r.asked.miso, [line for line, _ in r.asked.selects])
        for r in spi_by_name(channels)
    ]
    assert found == expected


def test_noise_is_no_bus_by_behaviour() -> None:
    wave = SpiWave(SpiFormat()).wait(5_000)
    for k in range(30):
        wave.select().bits(0xA5, 0x5A, 3 + k % 5).select(on=False)
    assert spi_by_behaviour(wave.edges(), list("abcde")) == []

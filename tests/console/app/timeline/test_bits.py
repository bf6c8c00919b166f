"""The wire under a transaction, drawn: what is drawn is read back."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from rich.cells import cell_len

from console.app.signs import ASCII, UNICODE, Signs
from console.app.timeline.bits import COLUMNS_PER_BIT, LINE_ROWS, Wire, WireRows, wire_rows
from console.app.timeline.columns import GUTTER
from console.app.timeline.pieces import Row
from decoders.buses.bit_cells import bit_cells
from decoders.captures.edges import Edges
from tests.console.app.timeline.reading_back import bits_of, bytes_of, lines_named, waves_of
from tests.console.app.timeline.views import text_of, width_of
from tests.decoders.buses.wave import SCL, SDA, Wave

MS = 10**6


def wire_of(wave: Wave, names: tuple[str, str] = ("SCL", "SDA"), held_ns: int = 25 * MS) -> Wire:
    """Everything that stands on a wave."""
    t_ns, levels = np.array(wave.rows, np.int64).T
    edges = Edges(t_ns, levels.astype(np.uint8), begins=True, until_ns=int(t_ns[-1]) + 100_000)
    first = int(t_ns[1]) if len(t_ns) > 1 else int(t_ns[0])
    cells = bit_cells(edges, SCL, SDA, first, int(t_ns[-1]), held_ns=held_ns)
    return Wire(cells, edges, SCL, SDA, *names)


def written(*values: int, acks: str = "") -> Wave:
    """A write of some bytes, the address first."""
    wave = Wave().wait().start()
    for value, ack in zip(values, acks or "A" * len(values), strict=True):
        wave.byte(value, ack=ack == "A")
    return wave.stop()


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
@pytest.mark.parametrize("width", [80, 140, 250])
def test_the_drawn_bits_are_those_on_the_wire(signs: Signs, width: int) -> None:
    rows = wire_rows(wire_of(written(0x5C, 0xA5, 0x00, 0xFF, 0x31)), width, signs)
    assert bits_of(rows) == "S0101110WA 10100101A 00000000A 11111111A 00110001AP".replace(" ", "")
    assert bytes_of(rows) == ["2Eh write", "A5", "00", "FF", "31"]


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
@pytest.mark.parametrize("width", [80, 140])
def test_every_row_keeps_within_the_screen(signs: Signs, width: int) -> None:
    rows = wire_rows(wire_of(written(*[0x5C] * 40)), width, signs)
    assert max(width_of(row) for row in rows) <= width
    assert all(text_of(row).isascii() for row in rows if signs is ASCII)


@pytest.mark.parametrize("width", [80, 140])
def test_the_levels_over_a_bit_are_those_of_the_bit(width: int) -> None:
    rows = wire_rows(wire_of(written(0x5C, 0xA5, 0x0F)), width, UNICODE)
    read = ""
    for line in waves_of(rows):
        for at, word in lines_named(line)["bit"]:
            if word in "01WRAN":
                high = line.upper("SDA")[at] != " "
                read += "1" if high else "0"
    assert read == "010111000101001010000011110"


def test_a_refused_address_says_whose_turn_it_was() -> None:
    rows = wire_rows(wire_of(written(0x5C, acks="N")), 140, UNICODE)
    assert bits_of(rows) == "S0101110WNP"
    assert "N in the target's turn: nobody pulled SDA low" in text_of(rows[0])
    turns = next(text_of(row) for row in rows if "drives SDA" in text_of(row))
    assert "controller" in turns
    assert "─t─" in turns


def test_a_read_is_driven_by_the_target_and_ends_in_a_no_that_is_right() -> None:
    wave = Wave().wait().start().byte(0x5D).byte(0x31, ack=False).stop()
    rows = wire_rows(wire_of(wave), 140, UNICODE)
    assert bits_of(rows) == "S0101110RA00110001NP"
    assert bytes_of(rows)[0] == "2Eh read"
    assert "nobody pulled" not in text_of(rows[0])


def test_a_repeated_start_is_told_from_a_start() -> None:
    wave = Wave().wait().start().byte(0x5C).start().byte(0x5D).stop()
    assert bits_of(wire_rows(wire_of(wave), 140, UNICODE)) == "S0101110WASr0101110RAP"


def test_a_stretched_low_is_told_with_its_length() -> None:
    wave = Wave().wait().start().byte(0x5C).wait(500_000).byte(0xA5).stop()
    rows = wire_rows(wire_of(wave), 140, UNICODE)
    stretches = [text_of(row) for row in rows if "SCL low" in text_of(row)]
    assert [text.split()[-2:] for text in stretches] == [["+500", "us"]]
    assert "1 lows longer than usual, by up to 500 us" in text_of(rows[0])
    assert len(rows) == len(list(rows))


def test_a_byte_that_was_cut_short_says_so() -> None:
    wave = Wave().wait().start().byte(0x5C).bit(1).bit(0).bit(1)
    rows = wire_rows(wire_of(wave), 140, UNICODE)
    assert bytes_of(rows) == ["2Eh write", "cut"]
    assert "no STOP here" in text_of(rows[0])


def test_a_line_that_was_held_is_told_with_its_length_and_whose_turn_it_was() -> None:
    wave = Wave().wait().start().byte(0x5D).bit(1).wait().set(sda=0).wait().set(scl=1)
    wave.wait(40 * MS).set(sda=1)
    rows = wire_rows(wire_of(wave), 140, UNICODE)
    held = text_of(rows[1]).strip()
    assert held.startswith("✖ SDA held low for 40 ms")
    assert held.endswith("target to drive SDA")


def test_no_edges_are_said() -> None:
    wave = Wave().wait()
    rows = wire_rows(wire_of(wave), 80, UNICODE)
    assert [text_of(row).strip() for row in rows] == ["no edges here"]


def test_a_name_from_outside_is_cleaned_and_cut() -> None:
    rows = wire_rows(wire_of(written(0x5C), ("\x1b[2J" * 9, "瓶" * 20)), 80, UNICODE)
    assert all(text_of(row).isprintable() for row in rows)
    assert {cell_len(text_of(row)[:GUTTER]) for row in rows if row} <= {*range(GUTTER, 24)}


def test_a_long_transaction_is_drawn_where_it_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[int] = []
    draw: Callable[[WireRows, int], list[Row]] = WireRows._draw

    def noted(self: WireRows, number: int) -> list[Row]:
        drawn.append(number)
        return draw(self, number)

    monkeypatch.setattr(WireRows, "_draw", noted)
    rows = wire_rows(wire_of(written(*[0x5C] * 2_000)), 80, UNICODE)
    assert len(rows) == 1 + 1_000 * LINE_ROWS
    assert [len(rows[k : k + 20]) for k in (0, 4_000)] == [20, 20]
    assert len(set(drawn)) <= 8


def test_rows_past_the_end_are_an_error() -> None:
    rows = wire_rows(wire_of(written(0x5C)), 80, UNICODE)
    with pytest.raises(IndexError):
        rows[len(rows)]


def test_a_wide_screen_gives_every_bit_the_same_cells() -> None:
    rows = wire_rows(wire_of(written(0x5C, 0xA5)), 140, UNICODE)
    bits = next(text_of(row) for row in rows if text_of(row).strip().startswith("bit"))
    at = [k for k, c in enumerate(bits) if c in "01WA" and k >= GUTTER]
    assert set(np.diff(at).tolist()) == {COLUMNS_PER_BIT}

"""The byte in which a line is held, drawn."""

from __future__ import annotations

import pytest
from rich.cells import cell_len

from captures_demo.simulator.cuts import Cut, Transfer, incomplete_write_byte
from console.diagnosis.held.drawing import in_ascii
from console.diagnosis.held.held import Held
from tests.console.diagnosis.held.cut_wires import ADDRESS, seen_cut


def held_at(transfer: Transfer, clocks: int) -> Held:
    (held,) = seen_cut(transfer, Cut(clocks, at_high=True)).held()
    return held


def test_a_read_is_drawn_up_to_the_bit_that_is_held() -> None:
    held = held_at(Transfer(ADDRESS, True, b"\x4f"), 11)
    assert held.drawing(ascii_only=True) == [
        "bit    7   6   5   4   3   2   1   0   A",
        r"SCL   _/~\_/~\_/~~~~......................",
        r"SDA   ____/~~~\_____......................",
        "turn   T   T   T   T   T   T   T   T   C",
        "               ^ held here",
    ]


def test_an_acknowledge_is_drawn_at_the_end_of_its_byte() -> None:
    (held,) = seen_cut(*incomplete_write_byte(ADDRESS, 0x20)).held()
    assert held.drawing(ascii_only=True) == [
        "bit    7   6   5   4   3   2   1   0   A",
        r"SCL   _/~\_/~\_/~\_/~\_/~\_/~\_/~\_/~\_/~~",
        r"SDA   ________/~~~\_______________________",
        "turn   C   C   C   C   C   C   C   C   T",
        "                                       ^ held here",
    ]


def test_an_address_is_drawn_with_its_own_slots() -> None:
    held = held_at(Transfer(ADDRESS, True, b"\x00"), 8)
    assert held.drawing(ascii_only=True)[0] == "bit    6   5   4   3   2   1   0   R   A"


@pytest.mark.parametrize("clocks", [8, 9, 12, 16])
def test_both_drawings_have_the_same_shape(clocks: int) -> None:
    held = held_at(Transfer(ADDRESS, True, bytes(2)), clocks)
    plain, wide = held.drawing(ascii_only=True), held.drawing()
    assert all(line.isascii() for line in plain)
    assert [cell_len(line) for line in plain] == [cell_len(line) for line in wide]
    assert {cell_len(line) for line in plain[1:3]} == {6 + 9 * 4}


def test_without_the_wire_there_is_nothing_to_draw() -> None:
    (held,) = seen_cut(Transfer(ADDRESS, True, bytes(2)), Cut(12)).held(wire=False)
    assert held.drawing() == []


def test_a_drawing_turned_into_ascii_is_the_one_drawn_in_ascii() -> None:
    held = held_at(Transfer(ADDRESS, True, b"\x4f"), 11)
    assert [in_ascii(row) for row in held.drawing()] == held.drawing(ascii_only=True)

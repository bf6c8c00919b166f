from __future__ import annotations

import numpy as np
import pytest

from decoders.captures.vcd_tables import CHANNEL, IGNORED, LONGEST_CODE, WIDE, Tables
from tests.decoders.captures.vcd_made import PORT0, PORT2, SCL, SDA, Dump

CODES = [("!", '"', "#", "$"), ("n0", "n1", "n2", "n3"), ("line0", "x", "port", "fill_cm")]


def places(tables: Tables, changes: list[str]) -> list[int]:
    """Where the tables have the codes of some scalar changes."""
    text = np.frombuffer(("\n".join(changes) + "\n").encode() + bytes(8), np.uint8)
    lengths = np.array(list(map(len, changes)), np.intp)
    starts = np.cumsum(lengths + 1) - lengths - 1
    found: list[int] = tables.places(text, starts, lengths).tolist()
    return found


@pytest.mark.parametrize("codes", CODES)
def test_codes_of_any_length_lead_to_their_channels(codes: tuple[str, str, str, str]) -> None:
    tables = Dump(codes).begin().tables()
    at = places(tables, [f"1{code}" for code in codes])
    assert tables.mask[at].tolist() == [SCL, SDA, PORT2 | PORT0, 0]
    assert tables.code_class[at].tolist() == [CHANNEL, CHANNEL, 0, IGNORED]
    assert tables.vector_class[at].tolist() == [WIDE, WIDE, WIDE, IGNORED]
    assert tables.packed == (max(map(len, codes)) <= 2)


@pytest.mark.parametrize("codes", CODES)
def test_a_code_that_was_not_declared_has_no_class(codes: tuple[str, str, str, str]) -> None:
    tables = Dump(codes).begin().tables()
    at = places(tables, ["1%", "1qq"])
    assert (tables.code_class[at].tolist(), tables.mask[at].tolist()) == ([0, 0], [0, 0])


def test_a_line_that_is_unknown_is_for_the_careful_way() -> None:
    tables = Dump().begin("x!").tables()
    at = places(tables, ["1!", '1"'])
    assert tables.code_class[at].tolist() == [0, CHANNEL]


def test_values_have_a_level_once_they_were_met() -> None:
    before, after = Dump().begin().tables(), Dump().begin('z"', '0"').tables()
    values = list(b"01zx?")
    assert before.value_class[values].tolist() == [3, 3, IGNORED, IGNORED, 0]
    assert after.value_class[values].tolist() == [3, 3, 3, IGNORED, 0]
    assert after.level[values].tolist() == [0, 255, 255, 0, 0]


def test_value_and_code_of_one_byte_are_one_number() -> None:
    tables = Dump().begin().tables()
    pairs = [int.from_bytes(change, "little") for change in (b"1!", b"0!", b'1"', b"1#", b"x!")]
    assert tables.pair_mask[pairs].tolist() == [SCL, SCL, SDA, 0, 0]
    assert tables.pair_want[pairs].tolist() == [SCL, 0, SDA, 1, 1]  # mask 0 and want 1: never


def test_codes_too_long_for_a_key_are_left_out() -> None:
    tables = Dump(("!", '"', "#", "x" * (LONGEST_CODE + 1))).begin().tables()
    assert (tables.longest, tables.packed) == (1, True)

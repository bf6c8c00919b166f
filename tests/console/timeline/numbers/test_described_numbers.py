from __future__ import annotations

import pytest

from console.timeline.numbers.described_numbers import Step, number_at, occurrence
from decoders.packets.layout import Number
from decoders.packets.resolve import read_packets
from tests.console.timeline.number_tables import packets_described

BLOCKS = packets_described()["camera"].kind("blocks")


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        (("blocks", 1, "x"), Number(unit="px", high=319)),
        (("state", "turns"), Number(high=9)),
        (("sum",), Number()),
        (("blocks",), None),
        (("state", "nothing"), None),
        (("state", "turns", "deeper"), None),
        (("nothing",), None),
    ],
)
def test_what_a_description_says_is_found_at_its_path(
    steps: tuple[Step, ...], expected: Number | None
) -> None:
    assert number_at(BLOCKS, steps) == expected


@pytest.mark.parametrize(
    ("steps", "nth"),
    [
        (("blocks", 0, "x"), 0),
        (("blocks", 3, "x"), 3),
        (("state", "mode"), 0),
        (("sum",), None),  # there is one in the packet and one in each block
        (("blocks", 0, "sum"), None),
    ],
)
def test_the_place_of_a_name_is_known_where_it_means_one_thing(
    steps: tuple[Step, ...], nth: int | None
) -> None:
    assert occurrence(BLOCKS, steps) == nth


def test_names_that_json_writes_otherwise_leave_the_place_unknown() -> None:
    text = """
[[packet]]
name = "odd"
field = [{ name = "a", type = "u8" }, { name = 'x"a', type = "u8" }]
"""
    kind = read_packets(text.encode(), "odd.toml").kind("odd")
    assert occurrence(kind, ("a",)) is None

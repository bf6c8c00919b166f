from __future__ import annotations

import pytest

from decoders.captures.vcd_channels import MOST_LINES, Line, default_lines, wanted_lines
from decoders.captures.vcd_header import Variable
from decoders.errors import CaptureError, Place

PLACE = Place("cap.vcd", 9)


def net(name: str, code: bytes, *, kind: str = "wire") -> Variable:
    return Variable(kind, 1, code, name, 0, 0, False)


def port(name: str, code: bytes, left: int, right: int, *, kind: str = "reg") -> Variable:
    return Variable(kind, abs(left - right) + 1, code, name, left, right, False)


SCL, SDA = net("bus.scl", b"!"), net("bus.sda", b'"')
PORT = port("line.valves", b"#", 7, 0)
LEVEL = net("hopper.level", b"$", kind="real")
ALL = [SCL, SDA, PORT, LEVEL]


def names(lines: list[Line]) -> list[str]:
    return [line.name for line in lines]


def test_nets_of_one_bit_are_the_lines_when_none_were_asked_for() -> None:
    lines, remarks = default_lines(ALL)
    assert lines == [Line("bus.scl", b"!", 0, 1), Line("bus.sda", b'"', 0, 1)]
    assert remarks == []


def test_where_all_nets_are_wider_their_bits_are_lines_rightmost_first() -> None:
    lines, _ = default_lines([port("a", b"#", 1, 0), port("b", b"%", 0, 1), LEVEL])
    assert [(line.name, line.place) for line in lines] == [
        ("a[0]", 0),
        ("a[1]", 1),
        ("b[1]", 0),
        ("b[0]", 1),
    ]


def test_integers_are_no_lines_unless_asked_for() -> None:
    count = port("count", b"%", 31, 0, kind="integer")
    assert default_lines([count])[0] == []
    assert wanted_lines([count], ["count[3]"], PLACE) == [Line("count[3]", b"%", 3, 32)]


def test_a_net_under_two_names_is_one_line() -> None:
    lines, remarks = default_lines([SCL, net("top.clock", b"!")])
    assert names(lines) == ["bus.scl"]
    assert remarks == ["'top.clock' is the same net as 'bus.scl' and is left out"]


def test_so_many_lines_are_read_and_the_rest_is_told() -> None:
    lines, remarks = default_lines([net(f"n{k}", bytes([33 + k])) for k in range(70)])
    assert len(lines) == MOST_LINES
    assert remarks == ["70 lines found, the first 64 are read ('n0' to 'n63')"]


@pytest.mark.parametrize("name", ["bus.scl", "scl", "SCL", "Bus.SCL"])
def test_a_line_is_wanted_by_its_name_or_the_end_of_it(name: str) -> None:
    assert names(wanted_lines(ALL, [name], PLACE)) == ["bus.scl"]


def test_wanted_lines_stand_in_the_order_of_the_declarations() -> None:
    wanted = ["valves[2]", "sda", "valves[0]", "scl", "line.valves[2]"]
    assert names(wanted_lines(ALL, wanted, PLACE)) == [
        "bus.scl",
        "bus.sda",
        "line.valves[0]",
        "line.valves[2]",
    ]


def test_a_bit_has_its_place_from_the_right_of_the_value() -> None:
    rising = port("line.lamps", b"%", 2, 9)
    assert wanted_lines([PORT, rising], ["valves[5]"], PLACE)[0].place == 5
    assert wanted_lines([PORT, rising], ["lamps[2]"], PLACE)[0].place == 7


@pytest.mark.parametrize(
    ("name", "message", "mend"),
    [
        ("sdb", "no line named 'sdb'", "Did you mean 'bus.sda'? Lines found: bus.scl, bus.sda"),
        ("valves", "no line named 'valves'", "It has 8 bits: name one of them, as in"),
        ("valves[8]", "no line named 'valves[8]'", "The bits of 'line.valves' are 7 to 0."),
        ("level", "no line named 'level'", "Lines found"),
    ],
)
def test_a_name_that_fits_nothing_is_told_with_what_there_is(
    name: str, message: str, mend: str
) -> None:
    with pytest.raises(CaptureError) as caught:
        wanted_lines(ALL, [name], PLACE)
    assert str(caught.value).startswith(f"cap.vcd:9: {message}")
    assert mend in str(caught.value)


def test_a_name_that_fits_several_nets_is_refused() -> None:
    with pytest.raises(CaptureError, match="'scl' fits several lines"):
        wanted_lines([SCL, net("other.scl", b"%")], ["scl"], PLACE)


def test_a_name_that_fits_one_net_twice_is_that_net() -> None:
    assert names(wanted_lines([SCL, net("top.scl", b"!")], ["scl"], PLACE)) == ["bus.scl"]


def test_none_and_too_many_cannot_be_wanted() -> None:
    many = [net(f"n{k}", bytes([33 + k])) for k in range(70)]
    with pytest.raises(ValueError, match="1 to 64 lines can be wanted, not 70"):
        wanted_lines(many, [f"n{k}" for k in range(70)], PLACE)
    with pytest.raises(ValueError, match="not 0"):
        wanted_lines(many, [], PLACE)

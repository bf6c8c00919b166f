"""Declarations by the grammar of IEEE Std 1364-2005 section 18.2.1."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.vcd_header import Declarations, HeaderReader, Variable
from decoders.captures.vcd_place import Cursor, whole_tokens
from decoders.errors import CaptureError

END = "$enddefinitions $end"


def declared(text: str) -> Declarations:
    reader = HeaderReader(Cursor("cap.vcd"))
    assert reader.feed(text.encode()) == len(text.encode())
    return reader.declarations


def variable(reference: str, size: int = 1) -> Variable:
    (found,) = declared(f"$var wire {size} ! {reference} $end {END}").variables
    return found


@pytest.mark.parametrize(
    ("text", "exponent"),
    [("1 us", 3), ("100ns", 2), ("10 ps", -2), ("1 s", 9), ("100\n\tfs", -4)],
)
def test_a_timescale_is_a_power_of_ten_in_ns(text: str, exponent: int) -> None:
    assert declared(f"$timescale {text} $end {END}").exponent == exponent


@pytest.mark.parametrize("text", ["2 us", "1 min", "us", "1000 ns", ""])
def test_any_other_timescale_is_refused(text: str) -> None:
    with pytest.raises(CaptureError, match="is not one of IEEE 1364"):
        declared(f"$timescale {text} $end {END}")


@pytest.mark.parametrize(
    ("reference", "size", "name", "bits"),
    [
        ("scl", 1, "scl", (0, 0, False)),
        ("port[7:0]", 8, "port", (7, 0, False)),
        ("port [ 0 : 7 ]", 8, "port", (0, 7, False)),
        ("port [3]", 1, "port", (3, 3, True)),
        ("port[9:0]", 8, "port", (7, 0, False)),  # a select that does not fit the size
        (r"\odd[name", 1, "odd[name", (0, 0, False)),  # section 3.7.1: an escaped identifier
    ],
)
def test_a_reference_is_a_name_and_perhaps_its_bits(
    reference: str, size: int, name: str, bits: tuple[int, int, bool]
) -> None:
    found = variable(reference, size)
    assert (found.name, (found.left, found.right, found.selected)) == (name, bits)


def test_bits_are_numbered_from_the_leftmost() -> None:
    assert list(variable("port[3:0]", 4).bit_numbers()) == [3, 2, 1, 0]
    assert list(variable("port[0:3]", 4).bit_numbers()) == [0, 1, 2, 3]


def test_scopes_are_part_of_a_name_until_they_are_left() -> None:
    text = (
        "$scope module line $end $scope task cap $end $var reg 1 ! a $end $upscope $end "
        f"$var reg 1 ? b $end $upscope $end $var reg 1 + c $end {END}"
    )
    names = [(each.name, each.code) for each in declared(text).variables]
    assert names == [("line.cap.a", b"!"), ("line.b", b"?"), ("c", b"+")]


HEADER = (
    "$date today $end\n$comment\n$var of no use\n$end $timescale 10 ns $end\n"
    f"$scope module bus $end $var wire 1 ! scl $end $upscope $end\n{END}\n#0\n1!\n"
)


@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, len(HEADER)), max_size=6))
def test_declarations_do_not_depend_on_how_the_text_is_cut(cuts: list[int]) -> None:
    reader, begin, text = HeaderReader(Cursor("cap.vcd")), 0, HEADER.encode()
    for end in [*sorted(cuts), len(text)]:
        whole = whole_tokens(text, begin, end)
        begin += 0 if reader.done else reader.feed(text[begin:whole])
    assert (reader.done, text[begin:]) == (True, b"\n#0\n1!\n")
    assert reader.declarations == declared(HEADER[:begin])
    assert reader.declarations.line == 6


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("scl,sda\n", "cap.vcd:1:1: not a value change dump: it begins with 'scl,sda'"),
        ("$date x $end\n#0\n", "cap.vcd:2:1: '#0' among the declarations, before $enddefinitions"),
        ("$date x $end\n $upscope $end\n", "cap.vcd:2:2: $upscope without a $scope before it"),
        ("$var wire x ! a $end\n", "cap.vcd:1:1: a $var that is not 'type size code name'"),
        ("$var wire 1 ! " + "a " * 5000, "cap.vcd:1:1: $var has no $end"),
    ],
)
def test_what_breaks_the_grammar_is_told_with_its_place(text: str, message: str) -> None:
    with pytest.raises(CaptureError) as caught:
        declared(text)
    assert str(caught.value).splitlines()[0] == message


@pytest.mark.parametrize(
    ("text", "message"),
    [("", "the file is empty"), ("$date x $end\n", "the file ends before $enddefinitions")],
)
def test_a_file_that_ends_among_the_declarations_is_refused(text: str, message: str) -> None:
    reader = HeaderReader(Cursor("cap.vcd"))
    reader.feed(text.encode())
    assert message in str(reader.finish())

"""Value changes token by token, by the grammar of IEEE Std 1364-2005 section 18.2.1."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import CaptureError
from tests.decoders.captures.vcd_made import PORT0, PORT2, SCL, SDA, Dump, Stretch


def taken(*lines: str, strict: bool = False) -> Dump:
    dump = Dump(strict=strict).begin()
    dump.changes.take("\n".join([*lines, ""]).encode())
    return dump


def refused(*lines: str) -> str:
    with pytest.raises(CaptureError) as caught:
        taken(*lines)
    return str(caught.value).splitlines()[0]


def word(*lines: str) -> int:
    return taken(*lines).state.word


def test_scalar_and_vector_changes_set_the_bits_of_their_net() -> None:
    assert word("1!") == SCL
    assert word('1"', "1!", '0"') == SCL
    assert word("b0101 #") == PORT2 | PORT0
    assert word("b1 !") == SCL


# Section 18.2.2, table 18-1: how redundant digits are left out.
@pytest.mark.parametrize(
    ("digits", "level"),
    [("1", PORT0), ("01", PORT0), ("100", PORT2), ("z", PORT2 | PORT0), ("0", 0)],
)
def test_digits_left_out_are_filled_from_the_left(digits: str, level: int) -> None:
    assert word(f"b{digits} #") == level


def test_a_line_that_is_unknown_keeps_its_level() -> None:
    dump = taken("1!", "#5", "x!", "bx1 #")
    assert (dump.state.word, dump.state.unknown) == (SCL | PORT0, SCL | PORT2)


def test_reals_and_strings_have_no_level() -> None:
    dump = taken("r41.7 $", "sRUN $", "R1 $")
    assert (dump.state.word, dump.assumed.rows) == (0, 6)


def test_values_beyond_the_standard_are_read_and_told_once() -> None:
    dump = taken("z!", 'H"', "L!", "Z!")
    assert dump.state.word == SCL | SDA
    assert dump.assumed.remarks == [
        "z (nobody drives) is read as high: open-drain lines are pulled up",
        "values of IEEE 1164 beyond IEEE 1364: H is read as 1, L as 0",
    ]


def test_text_of_commands_is_passed_over_even_over_pieces() -> None:
    dump = taken("$comment 1! #9")
    assert not dump.changes.clean
    dump.changes.take(b'1! $end 1"\n')
    assert (dump.changes.clean, dump.state.word, dump.state.raw) == (True, SDA, 0)


def test_dumpoff_is_told_and_observes_nothing_until_dumpon() -> None:
    dump = taken("#5", "$dumpoff", "x!", "$end", "#9", "$dumpon", "1!", "$end", "#11")
    assert dump.assumed.remarks == ["$dumpoff, first at 5 ns: nothing is observed until $dumpon"]
    expected: list[Stretch] = [([(0, 0)], 5), ([(9, SCL)], 11)]
    assert dump.stretches() == expected


TOKENS = ["#5", "1!", "b0101 #", '$comment 0! $end x"', "#9", "r1.5 $", "bz #", "0!", "#12", '1"']
TEXT = ("\n".join(TOKENS) + "\n").encode()


@settings(deadline=None)
@given(cuts=st.lists(st.sampled_from([k + 1 for k, b in enumerate(TEXT) if b in b" \n"])))
def test_changes_do_not_depend_on_where_the_text_is_cut_between_tokens(cuts: list[int]) -> None:
    whole, pieces = Dump().begin(), Dump().begin()
    whole.changes.take(TEXT)
    for a, b in pairwise(sorted({0, *cuts, len(TEXT)})):
        pieces.changes.take(TEXT[a:b])
    assert pieces.stretches() == whole.stretches()
    assert (pieces.assumed, pieces.cursor) == (whole.assumed, whole.cursor)


@pytest.mark.parametrize(
    ("line", "column", "message"),  # of a vector its identifier code is pointed at
    [
        ("1?", 5, "no variable has the identifier code '?'"),
        ("q", 5, "'q' is neither a value change nor a time"),
        ("#1x", 5, "'#1x' is not a time"),
        ("b #", 7, "a value without digits"),
        ("b0q01 #", 11, "'0q01' is not a value"),
        ("#99999999999999999999", 5, "time '#99999999999999999999' lies more than 292 years"),
    ],
)
def test_a_token_that_cannot_be_read_is_told_with_its_place(
    line: str, column: int, message: str
) -> None:
    assert refused("#5", f"1!  {line}").startswith(f"cap.vcd:6:{column}: {message}")


def test_time_does_not_go_back() -> None:
    assert refused("#9", "1!", "#5") == "cap.vcd:7:1: time goes back from #9 to #5"


def test_everything_before_what_cannot_be_read_counts() -> None:
    dump = Dump().begin()
    with pytest.raises(CaptureError):
        dump.changes.take(b"#5\n1!\n#7\nq\n")
    assert dump.stretches() == [([(0, 0), (5, SCL)], 7)]


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("b0101", "the value 'b0101', without its identifier code"),
        ("$comment 1!", "$comment, without its $end"),
    ],
)
def test_a_file_that_ends_inside_a_change_was_cut(line: str, what: str) -> None:
    with pytest.raises(CaptureError) as caught:
        taken(line).changes.finish()
    assert str(caught.value).startswith(f"cap.vcd:6: the file ends inside {what}")

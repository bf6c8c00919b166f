"""What is wrong with a value change dump is said once, with its place and the way to mend it."""

from __future__ import annotations

import random

import numpy as np
import pytest

from decoders.captures.edges import Edges
from decoders.captures.vcd import VcdReader
from decoders.errors import CaptureError, Place

HEAD = """$timescale 1 us $end
$scope module bus $end
$var wire 1 ! scl $end
$var wire 1 " sda $end
$var reg 8 # port [7:0] $end
$upscope $end
$enddefinitions $end
"""
START = HEAD + '#0\n1!\n1"\n'  # ten lines


def read_all(text: str | bytes, wanted: list[str] | None = None) -> tuple[VcdReader, list[Edges]]:
    reader = VcdReader("cap.vcd", wanted=wanted)
    data = text.encode() if isinstance(text, str) else text
    return reader, reader.feed(data) + reader.finish()


def refused(text: str | bytes, wanted: list[str] | None = None) -> CaptureError:
    with pytest.raises(CaptureError) as caught:
        read_all(text, wanted)
    assert caught.value.mend
    return caught.value


@pytest.mark.parametrize(
    ("text", "message", "line", "column"),
    [
        ("", "the file is empty", None, None),
        (" \n\n\t", "the file is empty", None, None),
        ("time,scl\n0,1\n", "not a value change dump: it begins with 'time,scl'", 1, 1),
        ("\n  hello $end\n", "not a value change dump: it begins with 'hello'", 2, 3),
        ("$date today $end\n", "the file ends before $enddefinitions", 2, None),
        ("$date today", "the file ends before $enddefinitions", 1, None),
        ("$comment " + "no end " * 9999, "the file ends before $enddefinitions", 1, None),
        (HEAD, "no value changes after the declarations", 8, None),
        (HEAD.rstrip(), "no value changes after the declarations", 7, None),
        (HEAD + "#5\n#6\n", "no value changes after the declarations", 10, None),
        (
            HEAD.replace("$enddefinitions $end\n", "#0\n1!\n"),
            "'#0' among the declarations, before $enddefinitions",
            7,
            1,
        ),
        (
            HEAD.replace("$enddefinitions $end\n", " $dumpvars\n1!\n"),
            "'$dumpvars' among the declarations, before $enddefinitions",
            7,
            2,
        ),
        (HEAD.replace("1 us", "2 us"), "$timescale '2 us' is not one of IEEE 1364", 1, 1),
        (HEAD.replace("1 us", "1 min"), "$timescale '1 min' is not one of IEEE 1364", 1, 1),
        (HEAD.replace("1 us", ""), "$timescale '' is not one of IEEE 1364", 1, 1),
        (HEAD + "$dumpall", "no value changes after the declarations", 8, None),
        ("$upscope $end " + HEAD, "$upscope without a $scope before it", 1, 1),
        ("$var wire ! a $end", "a $var that is not 'type size code name'", 1, 1),
        ("$date\nx $end $var wire one ! a $end", "a $var that is not 'type size code name'", 2, 8),
        (
            "$var real 64 ! x $end $var event 1 % y $end\n$enddefinitions $end\n#0 r1 !",
            "no variable with levels is declared",
            2,
            None,
        ),
        ("$enddefinitions $end\n#0", "no variable with levels is declared", 1, None),
    ],
)
def test_file_without_anything_to_read_is_refused(
    text: str, message: str, line: int | None, column: int | None
) -> None:
    error = refused(text)
    assert error.message == message
    assert error.place == Place("cap.vcd", line, column)


@pytest.mark.parametrize(
    ("tail", "message", "line", "column"),
    [
        ("#5\n0$\n", "no variable has the identifier code '$'", 12, 1),
        ("#5\nb10 $\n", "no variable has the identifier code '$'", 12, 5),
        ("#5\n\n r1.5 $\n", "no variable has the identifier code '$'", 13, 7),
        ("#5 0! 1\n", "no variable has the identifier code ''", 11, 7),
        ("#5\n0!\n#4\n1!\n", "time goes back from #5 to #4", 13, 1),
        ("#5\n0!\ntime\n", "'time' is neither a value change nor a time", 13, 1),
        ("#5\n0!\n#1e3\n", "'#1e3' is not a time", 13, 1),
        ("#5\n0!\n#-7\n", "'#-7' is not a time", 13, 1),
        ("#5\n0!\n#1_000\n", "'#1_000' is not a time", 13, 1),
        ("#5\n0!\n#\n", "'#' is not a time", 13, 1),
        ("#5\nb12 !\n", "'12' is not a value", 12, 5),
        ("#5\nb !\n", "a value without digits", 12, 3),
        (
            "#5\n0!\n#9999999999999999\n",
            "time '#9999999999999999' lies more than 292 years after zero",
            13,
            1,
        ),
        ("#5\nb1\n", "the file ends inside the value 'b1', without its identifier code", 13, None),
        ("#5\n$comment 1!\n", "the file ends inside $comment, without its $end", 13, None),
        ("#50\n0!\n#5", "the file ends inside '#5'", 13, 1),
        ("#50\n0!\n#", "the file ends inside '#'", 13, 1),
        ("#50\n0!\n#60\n1", "the file ends inside '1'", 14, 1),
        (
            "#50\n0!\n#60\nb1",
            "the file ends inside the value 'b1', without its identifier code",
            14,
            None,
        ),
        (
            "#50\n0!\n#60\n1! \0\0\0\n",
            "'\\x00\\x00\\x00' is neither a value change nor a time",
            14,
            4,
        ),
    ],
)
def test_capture_that_goes_bad_keeps_what_was_good(
    tail: str, message: str, line: int, column: int | None
) -> None:
    reader, blocks = read_all(START + tail)
    assert reader.stopped is not None
    assert reader.stopped.message == message
    assert reader.stopped.place == Place("cap.vcd", line, column)
    assert reader.stopped.mend
    assert blocks[0].t_ns[0] == 0
    assert reader.feed(b"#99\n0!\n") == []


def test_rows_before_the_bad_place_are_all_given() -> None:
    steps = "".join(f"#{k}\n{k % 2}!\n" for k in range(1, 50_000))
    for bad in ("#7\n1!\n", "?\n", "0~\n"):
        reader, blocks = read_all(START + steps + bad + steps)
        times = np.concatenate([block.t_ns for block in blocks])
        assert len(times) == 49_999  # the first step repeats the level before it
        assert reader.stopped is not None
        assert reader.stopped.place == Place("cap.vcd", 10 + 2 * 49_999 + 1, 1)


def test_line_numbers_are_exact_whatever_the_line_ends() -> None:
    steps = "".join(f"#{k}\n{k % 2}!\n" for k in range(1, 3_000))
    text = (START + steps + "#3000\n  0~\n").replace("\n", "\r\n")
    reader, _ = read_all(text)
    assert reader.stopped is not None
    assert reader.stopped.place == Place("cap.vcd", 10 + 2 * 2_999 + 2, 3)


def test_error_does_not_depend_on_the_cuts() -> None:
    text = (START + "#5 0!\n" * 40 + '#5\n  1! 0"  0~ \n').encode()
    whole, _ = read_all(text)
    for size in (1, 2, 7, 64):
        reader = VcdReader("cap.vcd")
        for begin in range(0, len(text), size):
            reader.feed(text[begin : begin + size])
        reader.finish()
        assert str(reader.stopped) == str(whole.stopped)


@pytest.mark.parametrize("head", [b"", HEAD.encode(), START.encode()])
def test_binary_junk_is_refused_or_stops_the_capture(head: bytes) -> None:
    junk = random.Random(5).randbytes(100_000)
    reader = VcdReader("cap.vcd")
    if head == START.encode():
        reader.feed(head + junk)
        reader.finish()
        assert reader.stopped is not None
    else:
        with pytest.raises(CaptureError):
            reader.feed(head + junk)


@pytest.mark.parametrize("filler", [b"a", b"1", b"#1", b"\0"])
def test_endless_token_is_refused_where_it_begins(filler: bytes) -> None:
    for head, place in (
        (b"", Place("cap.vcd", 1, 1)),
        (b"$date\n ", Place("cap.vcd", 2, 2)),
        (HEAD.encode() + b"#0 ", Place("cap.vcd", 8, 4)),
        (START.encode() + b"#5\n0!  ", Place("cap.vcd", 12, 5)),
    ):
        errors = []
        for size in (1 << 16, 1 << 20, 1 << 25):
            text = head + filler * (10_000_000 // len(filler)) + b" 1!\n"
            reader = VcdReader("cap.vcd")
            try:
                for begin in range(0, len(text), size):
                    reader.feed(text[begin : begin + size])
            except CaptureError as error:
                errors.append(error)
            else:
                assert reader.stopped is not None
                errors.append(reader.stopped)
        assert [error.place for error in errors] == [place] * 3
        assert {error.message for error in errors} == {"a token longer than 1,048,576 bytes"}


def test_changes_all_on_one_line_need_no_more_memory_than_others() -> None:
    steps = " ".join(f"#{k} {k % 2}!" for k in range(1, 100_000))
    reader = VcdReader("cap.vcd")
    blocks = reader.feed(START.encode() + b"#0\n" * 200)
    blocks += reader.feed(steps.encode()) + reader.finish()
    assert sum(len(block.t_ns) for block in blocks) == 99_999
    assert reader.stopped is None


@pytest.mark.parametrize(
    ("wanted", "message", "mend"),
    [
        (
            "scx",
            "no line named 'scx'",
            "Did you mean 'bus.scl'? Lines found: bus.scl, bus.sda, bus.port[7:0].",
        ),
        ("zzz", "no line named 'zzz'", "Lines found: bus.scl, bus.sda, bus.port[7:0]."),
        (
            "port",
            "no line named 'port'",
            "It has 8 bits: name one of them, as in 'bus.port[7]'.",
        ),
        (
            "port[8]",
            "no line named 'port[8]'",
            "The bits of 'bus.port' are 7 to 0.",
        ),
        ("us.scl", "no line named 'us.scl'", "Did you mean 'bus.scl'? "),
    ],
)
def test_unknown_line_is_refused_with_what_was_found(wanted: str, message: str, mend: str) -> None:
    error = refused(START, [wanted])
    assert error.message == message
    assert error.mend.startswith(mend)
    assert error.place == Place("cap.vcd", 7)


def test_name_that_fits_several_lines_is_refused() -> None:
    text = HEAD.replace("$upscope $end\n", "$upscope $end $var wire 1 % scl $end\n", 1)
    text = text.replace(
        "$scope module bus",
        "$scope module a $end $var wire 1 & SCL $end $upscope $end $scope module bus",
    )
    assert read_all(text + "#0 1%", ["scl"])[0].channels == ("scl",)  # exact beats the end of one
    error = refused(text.replace("% scl", "% clock") + "#0 1%", ["scl"])
    assert error.message == "'scl' fits several lines"
    assert error.mend == "Give the full name of one of them: a.SCL, bus.scl."


def test_wanted_line_without_any_level_is_refused() -> None:
    error = refused(HEAD + "#0\n1!\n#5\n0!\n", ["scl", "sda"])
    assert error.message == "no level at all for 'bus.sda'"
    assert error.place == Place("cap.vcd", 12)


def test_capture_that_is_never_on_is_refused() -> None:
    error = refused(HEAD + '$dumpoff\nx!\nx"\n$end\n#5\n')
    assert error.message == "no level at all for 'bus.scl', 'bus.sda'"

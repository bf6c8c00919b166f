"""Value change dumps: what their levels are. Source of the rules: IEEE Std 1364-2005 18.2."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.captures.edges import Edges
from decoders.captures.vcd import VcdReader, looks_vcd
from decoders.errors import CaptureError

Stretch = tuple[list[tuple[int, int]], int]

HEAD = """$timescale 1 us $end
$var wire 1 ! scl $end
$var wire 1 " sda $end
$enddefinitions $end
"""

# Written by pyvcd 0.5.1 and read back by its tokenizer; `$var string` is an extension.
WORKED = """$comment cap line bench capture $end
$date 2024-01-01 00:00:00 $end
$timescale 1 us $end
$version pyvcd example $end
$scope module bus $end
$var wire 1 ! scl $end
$var wire 1 " sda $end
$var reg 8 # byte $end
$upscope $end
$scope module line $end
$var string 1 & state $end
$scope module hopper $end
$var real 64 $ level_cm $end
$var event 1 % echo $end
$upscope $end
$upscope $end
$enddefinitions $end
#0
$dumpvars
1!
1"
bx #
r0 $
sIDLE &
$end
#5
0"
#10
0!
b10101001 #
#12
r41.7 $
1%
sRUN &
#15
z"
#20
b1xz0 #
1!
#30
1"
#40
$dumpoff
x!
x"
bx #
$end
#50
$dumpon
1!
1"
b1xz0 #
r41.7 $
sRUN &
$end
#60
0!
"""


def stretches(blocks: list[Edges]) -> list[Stretch]:
    """Rows and end of each observed stretch, whatever the blocks they came in."""
    found: list[Stretch] = []
    for block in blocks:
        rows = list(zip(block.t_ns.tolist(), block.levels.tolist(), strict=True))
        if block.begins:
            found.append((rows, block.until_ns))
        else:
            before, until_ns = found[-1]
            assert until_ns <= (rows[0][0] if rows else block.until_ns)
            found[-1] = (before + rows, block.until_ns)
    return found


def read(text: str, wanted: list[str] | None = None) -> tuple[VcdReader, list[Stretch]]:
    reader = VcdReader("cap.vcd", wanted=wanted)
    return reader, stretches(reader.feed(text.encode()) + reader.finish())


def levels_of(text: str, wanted: list[str] | None = None) -> list[Stretch]:
    return read(text, wanted)[1]


def test_worked_example_gives_the_levels_of_its_table() -> None:
    reader, got = read(WORKED)
    assert reader.channels == ("bus.scl", "bus.sda")
    assert got == [
        ([(0, 0b11), (5_000, 0b01), (10_000, 0b00), (15_000, 0b10), (20_000, 0b11)], 40_000),
        ([(50_000, 0b11), (60_000, 0b10)], 60_000),
    ]


def test_worked_example_gives_single_bits_of_its_byte() -> None:
    # b10101001 at 10 us; b1xz0 at 20 us is 00001xz0: bit 3 is 1, bit 1 is z and so high.
    names = ["byte[7]", "byte[3]", "byte[1]", "byte[0]"]
    reader, got = read(WORKED, names)
    assert reader.channels == ("bus.byte[0]", "bus.byte[1]", "bus.byte[3]", "bus.byte[7]")
    assert got == [
        ([(10_000, 0b1101), (20_000, 0b0110)], 40_000),
        ([(50_000, 0b0110)], 60_000),
    ]


def test_worked_example_has_no_levels_in_its_real_text_and_event() -> None:
    for name in ("level_cm", "state", "echo"):
        with pytest.raises(CaptureError, match=f"no line named '{name}'"):
            read(WORKED, [name])


def test_bit_that_turns_x_is_not_observed_from_there() -> None:
    assert levels_of(WORKED, ["bus.byte[2]"]) == [([(10_000, 0)], 20_000)]


# IEEE 1364-2005 18.2.2, extension of a value with left digits left out, for a size of 4.
@pytest.mark.parametrize(
    ("written", "known", "levels"),
    [
        ("b10", 0b1111, 0b0010),
        ("b0", 0b1111, 0b0000),
        ("b1", 0b1111, 0b0001),
        ("bx10", 0b0011, 0b0010),
        ("bx", 0b0000, 0b0000),
        ("bz0", 0b1111, 0b1110),
        ("bz", 0b1111, 0b1111),
        ("B1Z0", 0b1111, 0b0110),
        ("b110110", 0b1111, 0b0110),
    ],
)
def test_values_are_extended_on_the_left(written: str, known: int, levels: int) -> None:
    text = f"$timescale 1ns $end $var reg 4 ! v [3:0] $end $enddefinitions $end\n#7 {written} !\n"
    for bit in range(4):
        reader = VcdReader("v.vcd", wanted=[f"v[{bit}]"])
        blocks = reader.feed(text.encode())
        if known >> bit & 1:
            assert stretches(blocks + reader.finish()) == [([(7, levels >> bit & 1)], 7)]
        else:
            with pytest.raises(Exception, match="no level at all"):
                reader.finish()


@pytest.mark.parametrize(
    ("select", "bit", "digits"),
    [
        ("[7:0]", 7, "b10000000"),
        ("[0:7]", 7, "b1"),
        ("[11:4]", 5, "b10"),
        ("[4:11]", 5, "b1000000"),
    ],
)
def test_bits_are_numbered_as_declared(select: str, bit: int, digits: str) -> None:
    head = f"$timescale 1ns $end $var wire 8 p port {select} $end $enddefinitions $end\n"
    assert levels_of(f"{head}#0 b0 p #3 {digits} p", [f"port[{bit}]"]) == [([(0, 0), (3, 1)], 3)]


# IEEE 1364-2005 18.2.1, var_type; reals, events and parameters have no levels.
@pytest.mark.parametrize(
    ("kinds", "channels"),
    [
        (
            "integer reg supply0 supply1 time tri triand trior trireg tri0 tri1 wand wire wor",
            ("a", "sda"),
        ),
        ("event parameter real realtime", ("sda",)),
    ],
)
def test_every_type_of_variable_is_read_or_passed_over(
    kinds: str, channels: tuple[str, ...]
) -> None:
    for kind in kinds.split():
        head = f'$timescale 1 ns $end $var {kind} 1 ! a $end $var wire 1 " sda $end'
        change = "r1.5 !" if "real" in kind else "1!"
        text = f'{head} $enddefinitions $end #0 {change} 1" #1 0! #2 0"'
        assert read(text)[0].channels == channels, kind


# The same, scope_type and reference: writers put a blank before the bit or not.
@pytest.mark.parametrize("scope", ["begin", "fork", "function", "module", "task"])
@pytest.mark.parametrize(
    ("size", "reference", "channels"),
    [
        (1, "p", ("top.p",)),
        (1, "p[3]", ("top.p[3]",)),
        (1, "p [3]", ("top.p[3]",)),
        (2, "p[1:0]", ("top.p[0]", "top.p[1]")),
        (2, "p [1:0]", ("top.p[0]", "top.p[1]")),
    ],
)
def test_every_scope_and_reference_names_its_lines(
    scope: str, size: int, reference: str, channels: tuple[str, ...]
) -> None:
    head = f"$timescale 1 ns $end $scope {scope} top $end $var wire {size} ! {reference} $end"
    reader, got = read(f"{head} $upscope $end $enddefinitions $end #0 b1 ! #1 b0 !")
    assert (reader.channels, got) == (channels, [([(0, 1), (1, 0)], 1)])


@pytest.mark.parametrize(
    ("timescale", "raw", "expected_ns"),
    [
        ("1 s", 2_100, 2_100_000_000_000),
        ("10 s", 170_000_000, 1_700_000_000_000_000_000),
        ("100 ms", 17, 1_700_000_000),
        ("1ms", 3, 3_000_000),
        ("10us", 3, 30_000),
        ("100 us", 3, 300_000),
        ("1ns", 1_700_000_000_123_456_789, 1_700_000_000_123_456_789),
        ("100ns", 17_000_000_001_234_567, 1_700_000_000_123_456_700),
        ("1 ps", 1_700_000_000_123_456_789_999, 1_700_000_000_123_456_789),
        ("100ps", 2_100_000_000_0019, 2_100_000_000_001),
        ("10ps", 199, 1),
        ("1\nfs", 1_700_000_000_123_456_789_999_999, 1_700_000_000_123_456_789),
        ("100 fs", 19_999, 1),
        ("10fs", 99_999, 0),
    ],
)
@pytest.mark.parametrize("by_columns", [True, False])
def test_times_are_exact_in_every_timescale(
    timescale: str, raw: int, expected_ns: int, by_columns: bool
) -> None:
    steps = "".join(f"#{raw + k}\n{k % 2}!\n" for k in range(1, 2001))
    head = HEAD.replace("1 us", timescale)
    reader = VcdReader("t.vcd", by_columns=by_columns)
    blocks = reader.feed(f'{head}#{raw}\n1!\n1"\n{steps}'.encode()) + reader.finish()
    number = int("".join(filter(str.isdigit, timescale)))
    unit = "".join(filter(str.isalpha, timescale))
    per_s = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9, "ps": 10**12, "fs": 10**15}[unit]
    times = np.concatenate([block.t_ns for block in blocks]).tolist()
    assert times[0] == expected_ns
    # The first step repeats the level before it, so it makes no row.
    assert times[1:] == [(raw + k) * number * 10**9 // per_s for k in range(2, 2001)]


def test_times_finer_than_ns_are_said_to_be_cut() -> None:
    reader, got = read(HEAD.replace("1 us", "10 ps") + '#199 1! 1" #299 0!')
    assert got == [([(1, 3), (2, 2)], 2)]
    assert reader.assumed.remarks == ["timescale 10 ps: times are cut to whole ns"]


def test_missing_timescale_is_said() -> None:
    reader, got = read("$var wire 1 ! a $end $enddefinitions $end #3 1! #4 0!")
    assert got == [([(3, 1), (4, 0)], 4)]
    assert reader.assumed.remarks == ["no $timescale: one unit is taken for 1 ns"]


def test_repeated_time_keeps_the_last_value() -> None:
    text = HEAD + '#1\n1!\n1"\n#2\n0!\n#2\n1!\n0"\n#2\n#3\n0"\n'
    assert levels_of(text) == [([(1_000, 0b11), (2_000, 0b01)], 3_000)]


def test_lines_that_change_together_make_one_row() -> None:
    assert levels_of(HEAD + '#1\n1!\n1"\n#2\n0!\n0"\n') == [([(1_000, 3), (2_000, 0)], 2_000)]


def test_changes_before_the_first_time_belong_to_zero() -> None:
    assert levels_of(HEAD + '1!\n0"\n#5\n1"\n') == [([(0, 1), (5_000, 3)], 5_000)]


@pytest.mark.parametrize(
    "text",
    [
        '$dumpvars 1! 1" $end #0 #5 0!',
        '#0 $dumpvars 1! 1" $end #5 0!',
        '#0 $dumpvars 1! 1" #5 0!',
        '#0 1! 1" #5 0!',
        '#0 $dumpall 1! 1" $end #5 0!',
        '#0 1! 1" $end #5 0! $end',
        '#0 $comment 0! #9 $end 1! 1" #5 $comment $dumpoff $end 0!',
    ],
)
def test_initial_values_are_read_wherever_they_stand(text: str) -> None:
    assert levels_of(HEAD + text) == [([(0, 3), (5_000, 2)], 5_000)]


def test_last_time_is_the_end_of_the_capture() -> None:
    assert levels_of(HEAD + '#0 1! 1" #5 0! #90') == [([(0, 3), (5_000, 2)], 90_000)]


def test_scalars_may_be_written_as_vectors() -> None:
    assert levels_of(HEAD + '#0 b1 ! B0 " #5 b0 !') == [([(0, 1), (5_000, 0)], 5_000)]


def test_scalar_change_of_a_wide_variable_is_extended() -> None:
    head = "$timescale 1ns $end $var reg 8 ! v $end $enddefinitions $end "
    assert levels_of(head + "#0 b11111111 ! #2 1!", ["v[0]", "v[7]"]) == [([(0, 3), (2, 1)], 2)]


def test_floating_line_is_high_and_that_is_said() -> None:
    reader, got = read(HEAD + '#0 0! 0" #1 z! #2 Z" #3 0!')
    assert got == [([(0, 0), (1_000, 1), (2_000, 3), (3_000, 2)], 3_000)]
    assert reader.assumed.remarks == [
        "z (nobody drives) is read as high: open-drain lines are pulled up"
    ]


def test_weak_levels_of_std_logic_are_read_and_said() -> None:
    reader, got = read(HEAD + '#0 H! L" #1 l! #2 W" #3 H"', ["scl"])
    assert got == [([(0, 1), (1_000, 0)], 3_000)]
    assert "IEEE 1164" in reader.assumed.remarks[0]


def test_stretch_without_the_level_of_a_wanted_line_is_not_observed() -> None:
    text = HEAD + '#0 1! #1 1" #2 0! #3 x" #4 1! #6 0" #8 0!'
    reader, got = read(text, ["scl", "sda"])
    assert got == [([(1_000, 3), (2_000, 2)], 3_000), ([(6_000, 1), (8_000, 0)], 8_000)]
    assert reader.assumed.remarks == [
        "line 'sda' is unknown (x) first at 3000 ns: stretches without its level are not observed"
    ]


def test_unknown_line_does_not_hide_the_others_when_none_was_asked_for() -> None:
    text = HEAD + '#0 1! 1" #2 0! #3 x" #4 1! #6 1" #8 0! #9 x" #10 0"'
    reader, got = read(text)
    # Back at its old level it goes on; back at another (10 us), nobody saw the edge.
    assert got == [
        ([(0, 3), (2_000, 2), (4_000, 3), (8_000, 2)], 10_000),
        ([(10_000, 0)], 10_000),
    ]
    assert len(reader.assumed.remarks) == 1


def test_line_without_first_level_is_high_and_makes_no_edge_when_it_comes() -> None:
    reader, got = read(HEAD + '#0 1! #2 0! #4 0" #5 1!')
    assert got == [([(0, 3), (2_000, 2)], 4_000), ([(4_000, 0), (5_000, 1)], 5_000)]
    assert reader.assumed.remarks == [
        "line 'sda' has no level before 4000 ns, and is read as high there"
    ]


def test_silent_line_is_said() -> None:
    reader, got = read(HEAD + "#0 1! #2 0!")
    assert got == [([(0, 3), (2_000, 2)], 2_000)]
    assert reader.assumed.remarks == ["no level at all for 'sda': read as high"]


def test_nothing_is_observed_between_dumpoff_and_dumpon() -> None:
    text = HEAD + '#0 1! 1" #4 $dumpoff x! x" $end #6 0! #8 $dumpon 1! 0" $end #9 0!'
    reader, got = read(text)
    assert got == [([(0, 3)], 4_000), ([(8_000, 1), (9_000, 0)], 9_000)]
    assert reader.assumed.remarks == [
        "$dumpoff, first at 4000 ns: nothing is observed until $dumpon"
    ]


def test_dumpoff_and_dumpon_at_one_time_still_part_the_stretches() -> None:
    text = HEAD + '#0 1! 1" #4 $dumpoff x! x" $end $dumpon 1! 1" $end #9 0!'
    assert levels_of(text) == [([(0, 3)], 4_000), ([(4_000, 3), (9_000, 2)], 9_000)]


def test_one_net_under_several_names_can_be_asked_for_by_each() -> None:
    text = """$timescale 1 ns $end $scope module top $end $var wire 1 ! clk $end
        $scope module dut $end $var wire 1 ! scl $end $var wire 1 " sda $end
        $upscope $end $upscope $end $enddefinitions $end #0 1! 1" #1 0!"""
    reader, got = read(text, ["dut.scl", "top.clk", "SDA"])
    assert reader.channels == ("top.clk", "top.dut.scl", "top.dut.sda")
    assert got == [([(0, 0b111), (1, 0b100)], 1)]
    reader, got = read(text)
    assert reader.channels == ("top.clk", "top.dut.sda")
    assert reader.assumed.remarks == ["'top.dut.scl' is the same net as 'top.clk' and is left out"]


def test_escaped_identifiers_keep_their_odd_characters() -> None:
    text = r"""$timescale 1 ns $end $scope module \a.b[0] $end
        $var wire 1 ! \scl$%[1] $end $var wire 1 " sda [3] $end $upscope $end
        $enddefinitions $end #0 1! 0" #1 0!"""
    reader, got = read(text)
    assert reader.channels == ("a.b[0].scl$%[1]", "a.b[0].sda[3]")
    assert got == [([(0, 1), (1, 0)], 1)]
    assert read(text, ["sda[3]"])[0].channels == ("a.b[0].sda[3]",)


@pytest.mark.parametrize("code", ["$end!", "#12", "0", "b1", "r", "$dumpoff", "x!~"])
def test_identifier_codes_may_look_like_anything(code: str) -> None:
    text = f"$var wire 1 {code} a $end $enddefinitions $end #0 1{code} #1 b0 {code} #2 1{code}"
    assert levels_of(text) == [([(0, 1), (1, 0), (2, 1)], 2)]


def test_bits_of_wide_nets_are_read_when_there_is_nothing_else() -> None:
    text = "$timescale 1 ns $end $var wire 2 ! p [1:0] $end $enddefinitions $end #0 b10 ! #1 b1 !"
    reader, got = read(text)
    assert reader.channels == ("p[0]", "p[1]")
    assert got == [([(0, 2), (1, 1)], 1)]


def test_no_more_than_64_lines_are_read_and_that_is_said() -> None:
    head = "".join(f"$var wire 1 n{k} line{k} $end\n" for k in range(70))
    values = "".join(f"1n{k}\n" for k in range(70))
    text = f"$timescale 1 ns $end\n{head}$enddefinitions $end\n#0\n{values}#5\n0n63\n#6\n0n64\n"
    reader, got = read(text)
    assert reader.channels == tuple(f"line{k}" for k in range(64))
    assert got == [([(0, 2**64 - 1), (5, 2**63 - 1)], 6)]
    assert reader.assumed.remarks == ["70 lines found, the first 64 are read ('line0' to 'line63')"]


@pytest.mark.parametrize(("lines", "dtype"), [(8, np.uint8), (9, np.uint16), (33, np.uint64)])
def test_level_words_are_as_narrow_as_they_can_be(lines: int, dtype: type) -> None:
    head = "".join(f"$var wire 1 n{k} line{k} $end\n" for k in range(lines))
    reader = VcdReader("n.vcd")
    (block,) = reader.feed(f"{head}$enddefinitions $end\n#0\n1n0\n#1\n".encode())
    assert block.levels.dtype == dtype


@pytest.mark.parametrize("separator", ["\n", "\r\n", " ", "\t", "\n\n", " \r\n\t"])
@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_any_white_space_parts_tokens(separator: str, bom: str) -> None:
    text = bom + separator.join(WORKED.split()) + separator
    assert levels_of(text) == levels_of(WORKED)


def test_value_changes_are_counted() -> None:
    assert read(WORKED)[0].assumed.rows == 24


@pytest.mark.parametrize(
    ("head", "expected"),
    [
        (WORKED.encode(), True),
        (b"\xef\xbb\xbf\r\n$timescale\n", True),
        (b"$var", True),
        (b"$dollars,and cents\n1,2\n", False),
        (b"time,scl,sda\n0,1,1\n", False),
        (b"", False),
        (b"\x00\x01$date", False),
    ],
)
def test_dump_is_told_by_its_first_word(head: bytes, expected: bool) -> None:
    assert looks_vcd(head) is expected

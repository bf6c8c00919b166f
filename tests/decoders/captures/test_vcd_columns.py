"""The ways through a value change dump agree: by columns, token by token, and however cut."""

from __future__ import annotations

from itertools import chain, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.edges import Edges
from decoders.captures.vcd import VcdReader
from decoders.captures.vcd_changes import ChangeReader
from decoders.errors import CaptureError

Outcome = tuple[list[tuple[list[int], list[int], int]], list[str], int, str]


def outcome(
    text: bytes,
    cuts: list[int],
    wanted: tuple[str, ...] | None = None,
    by_columns: bool = True,
) -> Outcome | str:
    """Everything a reader tells of a text that comes in pieces; the error if it is refused."""
    reader = VcdReader("cap.vcd", wanted=wanted, by_columns=by_columns)
    edges = [0, *sorted(min(cut, len(text)) for cut in cuts), len(text)]
    blocks: list[Edges] = []
    try:
        for a, b in pairwise(edges):
            blocks += reader.feed(text[a:b])
        blocks += reader.finish()
    except CaptureError as error:
        return str(error)
    stretches: list[tuple[list[int], list[int], int]] = []
    for block in blocks:
        if block.begins:
            stretches.append(([], [], 0))
        times, levels, _ = stretches[-1]
        times += block.t_ns.tolist()
        levels += block.levels.tolist()
        assert block.until_ns >= (times[-1] if times else 0)
        stretches[-1] = (times, levels, block.until_ns)
    return stretches, reader.assumed.remarks, reader.assumed.rows, str(reader.stopped)


HEADS = [
    # two lines of one-byte codes, and what is not a line
    '$timescale {} $end $var wire 1 ! scl $end $var wire 1 " sda $end $var wire 1 # aux $end\n'
    "$var reg 8 $ byte [7:0] $end $var real 64 % level $end $enddefinitions $end\n",
    # two-byte codes
    "$timescale {} $end $var wire 1 n0 scl $end $var wire 1 n1 sda $end $var wire 1 n2 aux $end\n"
    "$var reg 8 n3 byte [7:0] $end $var real 64 n4 level $end $enddefinitions $end\n",
    # codes longer than a table takes
    "$timescale {} $end $var wire 1 line0 scl $end $var wire 1 x sda $end\n"
    "$var wire 1 net_2 aux $end $var reg 8 v byte [7:0] $end\n"
    "$var real 64 toolongcode level $end $enddefinitions $end\n",
]
CODES = [
    ["!", '"', "#", "$", "%"],
    ["n0", "n1", "n2", "n3", "n4"],
    ["line0", "x", "net_2", "v", "toolongcode"],
]


@st.composite
def dumps(draw: st.DrawFn) -> bytes:
    """A dump of regular stretches, of some hundred lines each, and odd things between them."""
    choice = draw(st.integers(0, len(HEADS) - 1))
    codes = CODES[choice]
    raw = draw(st.sampled_from([0, 9_990, 99_999_000, 10**16 - 5_000, 17 * 10**20]))
    timescale = draw(st.sampled_from(["1 ps", "10 fs"] if raw > 10**17 else ["1 ns", "10 ps"]))
    end = draw(st.sampled_from(["\n", "\n", "\n", "\r\n"]))
    lines = [f"#{raw}", f"1{codes[0]}", f"1{codes[1]}", *draw(odd_lines(codes))]
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    for _ in range(draw(st.integers(1, 3))):
        most = draw(st.sampled_from([1, 1, 3]))
        toggling = draw(st.booleans())
        values = draw(st.sampled_from(["01", "01", "0z", "01xzH"]))
        digits = draw(st.sampled_from(["", "", "01", "01z", "01xL"]))
        # scalar changes of a wide net, blanks too many or of another kind
        strange = draw(st.sampled_from([[], ["1{}", "0{}"], ["b01  {}", "b1\t{}", " b0 {}"]]))
        levels = [1] * 3
        for step in rng.integers(0 if most > 1 else 1, 300, draw(st.integers(150, 400))).tolist():
            raw += step
            lines.append(f"#{raw}")
            for line in rng.integers(0, 2 + (most > 1), rng.integers(1, most + 1)).tolist():
                levels[line] ^= 1
                value = levels[line] if toggling else rng.integers(0, len(values))
                lines.append(f"{values[value]}{codes[line]}")
            if digits and rng.integers(2):
                number = "".join(
                    digits[k] for k in rng.integers(0, len(digits), rng.integers(1, 9))
                )
                lines.append(f"{'bB'[step % 2]}{number} {codes[3]}")
                lines += [f"r{step / 7} {codes[4]}", f"b{step % 2} {codes[0]}"][: step % 3]
                if strange and not rng.integers(20):
                    lines.append(strange[rng.integers(len(strange))].format(codes[3]))
        lines += draw(odd_lines(codes))
        raw += 1
    return (HEADS[choice].format(timescale) + end.join([*lines, ""])).encode()


def odd_lines(codes: list[str]) -> st.SearchStrategy[list[str]]:
    off = ["$dumpoff", f"x{codes[0]}", f"x{codes[1]}", f"x{codes[2]}", "$end"]
    on = ["$dumpon", f"1{codes[0]}", f"0{codes[1]}", f"1{codes[2]}", "$end"]
    pieces = [
        [f"b1x0 {codes[3]}"],
        [f"b0 1 {codes[3]}"],
        [f"r1.5 {codes[4]}"],
        [f"b0 {codes[0]}", ""],
        ["b1", codes[1]],
        [f"x{codes[1]}"],
        [f"z{codes[2]}", f"0{codes[2]}"],
        ["$comment", "#1", "1!", "$end"],
        off,
        off + on,
        ["#1"],
        ["0?"],
        ["#77777777777777777777777777777"],
        ["   ", "\t"],
    ]
    return st.lists(st.sampled_from(pieces), max_size=3).map(lambda found: list(chain(*found)))


@settings(max_examples=60, deadline=None)
@given(
    text=dumps(),
    cuts=st.lists(st.integers(0, 20_000), max_size=12),
    wanted=st.sampled_from([None, ("sda", "scl"), ("scl", "byte[6]", "byte[0]")]),
)
def test_columns_and_tokens_give_the_same_however_cut(
    text: bytes, cuts: list[int], wanted: tuple[str, ...] | None
) -> None:
    expected = outcome(text, [], wanted, by_columns=False)
    assert outcome(text, [], wanted) == expected
    assert outcome(text, cuts, wanted) == expected
    assert outcome(text, cuts, wanted, by_columns=False) == expected


@settings(max_examples=15, deadline=None)
@given(text=dumps())
def test_single_bytes_give_the_same_as_the_whole(text: bytes) -> None:
    text = text[:6_000]
    assert outcome(text, list(range(len(text)))) == outcome(text, [])


@pytest.mark.parametrize("lines", [2, 9, 20, 40, 64])
@pytest.mark.parametrize("most", [1, 4])
def test_many_lines_give_the_same_by_columns(lines: int, most: int) -> None:
    rng = np.random.default_rng(lines)
    codes = [chr(33 + k) for k in range(lines)]
    head = "".join(f"$var wire 1 {code} line{k} $end\n" for k, code in enumerate(codes))
    text = [head + "$enddefinitions $end", "#0", *(f"0{code}" for code in codes)]
    for k in range(1, 4_000):
        text.append(f"#{k * 7}")
        text += [f"{rng.integers(2)}{codes[rng.integers(lines)]}" for _ in range(most)]
    data = "\n".join([*text, ""]).encode()
    assert outcome(data, []) == outcome(data, [], by_columns=False)


@pytest.mark.parametrize("wanted", [None, ("scl", "sda")])
def test_line_that_is_lost_and_comes_back_gives_the_same_by_columns(
    wanted: tuple[str, ...] | None,
) -> None:
    raw, text = 0, [HEADS[0].format("1 ns") + "#0", "1!", '1"', "0#"]
    for block in range(6):
        for k in range(2_000):
            raw += 1 + k % 3
            code = '"' if block % 2 and k % 5 == 4 else "!"
            text += [f"#{raw}", f"{k % 2}{code}"]
        raw += 1
        text += [f"#{raw}", 'x"' if block % 2 else '0"']
    data = "\n".join([*text, ""]).encode()
    assert outcome(data, [], wanted) == outcome(data, [], wanted, by_columns=False)


def test_net_under_two_names_gives_both_by_columns() -> None:
    head = '$var wire 1 ! a $end $var wire 1 ! b $end $var wire 1 " c $end $enddefinitions $end\n'
    steps = "".join(f"#{k}\n{k // 2 % 2}{'!' if k % 2 else chr(34)}\n" for k in range(1, 4_000))
    text = f'{head}#0\n0!\n0"\n{steps}'.encode()
    expected = outcome(text, [], ("a", "b", "c"), by_columns=False)
    assert outcome(text, [], ("a", "b", "c")) == expected
    assert {0b011, 0b000} <= set(expected[0][0][1])


@pytest.mark.parametrize("choice", range(len(HEADS)))
def test_columns_are_used_for_regular_text(choice: int) -> None:
    # Guards the tests above: were nothing read by columns, they would compare like with like.
    scl, sda, aux, byte, level = CODES[choice]
    taken: list[int] = []
    careful = ChangeReader.take

    def counting(self: ChangeReader, text: bytes) -> None:
        taken.append(len(text))
        careful(self, text)

    steps = "".join(f"#{k}\n{k % 2}{scl}\n" for k in range(1, 20_000))
    more = "".join(f"#{k}\n{k % 2}{scl}\n{k % 2}{sda}\n" for k in range(20_000, 40_000))
    wide = "".join(
        f"#{k}\nb{k % 2}01 {byte}\n{k % 2}{scl}\nr1.5 {level}\n" for k in range(40_000, 50_000)
    )
    wide *= len(level) < 3  # vectors and reals are read by columns where codes are short
    head = HEADS[choice].format("1 ns")
    text = f"{head}#0\n1{scl}\n1{sda}\n0{aux}\n{steps}{more}{wide}".encode()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ChangeReader, "take", counting)
        outcome(text, [])
    assert sum(taken) < len(text) // 50

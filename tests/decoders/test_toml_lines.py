"""TOML with lines: every key knows its line, and every error is told at once."""

from __future__ import annotations

import tomllib
from typing import Annotated, Any, Literal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoders.errors import DescriptionError
from decoders.toml_lines import CollectedError, Document, parse

BENCH = """\
# the cap line
[bench]
name = "cap line"   # [not.a.table]

[[device]]
name = "camera"
address = 0x2E

[[device]]
name = "hopper"
limits = { low = 3, high = 90 }
text = '''
[[device]]
fake = 1
'''
words = [
  "a", # ] not the end
  "b",
]
"sum.total" = 1
site.town.street = "mill lane"

[[device.packet]]
name = "level"
[device.packet.check]
kind = "sum8"
"""


class Device(msgspec.Struct, forbid_unknown_fields=True):
    name: str
    address: Annotated[int, msgspec.Meta(ge=0, le=0x7F)]
    clock: Literal["host", "firmware"] = "host"
    limit: int | float | None = None
    offsets: dict[str, int] = {}

    def __post_init__(self) -> None:
        if self.name == "nobody":
            raise ValueError("name: is taken")


class Bench(msgspec.Struct, forbid_unknown_fields=True):
    device: list[Device] = []


def refused(text: str, wanted: type = Bench) -> list[str]:
    """The text of every error of a document that must not convert."""
    with pytest.raises(DescriptionError) as caught:
        parse(text, "bench.toml").convert((), wanted)
    return str(caught.value).split("\n")


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("bench",), 2),
        (("bench", "name"), 3),
        (("device",), 5),
        (("device", 0), 5),
        (("device", 0, "address"), 7),
        (("device", 1), 9),
        (("device", 1, "limits", "high"), 11),
        (("device", 1, "text"), 12),
        (("device", 1, "words"), 16),
        (("device", 1, "words", 1), 18),
        (("device", 1, "sum.total"), 20),
        (("device", 1, "site", "town", "street"), 21),
        (("device", 1, "packet", 0), 23),
        (("device", 1, "packet", 0, "check"), 25),
        (("device", 1, "packet", 0, "check", "kind"), 26),
    ],
)
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_every_table_and_key_knows_its_line(
    path: tuple[str | int, ...], line: int, line_end: str
) -> None:
    document = parse(BENCH.replace("\n", line_end), "bench.toml")
    assert document.place(path).line == line


def test_text_inside_strings_and_comments_makes_no_key() -> None:
    document = parse(BENCH, "bench.toml")
    assert {path for path in document.lines if "fake" in path or "not" in path} == set()


def test_an_unknown_path_has_the_place_of_the_table_around_it() -> None:
    document = parse(BENCH, "bench.toml")
    assert str(document.place(("device", 1, "missing"))) == "bench.toml:9"


def test_a_byte_order_mark_is_skipped() -> None:
    assert parse(b"\xef\xbb\xbfa = 1\n", "x.toml").data == {"a": 1}


def test_a_misspelt_key_is_named_with_its_line_and_the_closest_known_key() -> None:
    text = '[[device]]\nname = "camera"\nadress = 0x2E\naddress = 1\n'
    assert refused(text) == [
        "bench.toml:3: unknown key 'adress' in device",
        "Did you mean 'address'? Known keys: name, address, clock, limit, offsets.",
    ]


def test_a_wrong_type_is_told_in_plain_words_with_its_mend() -> None:
    text = '[[device]]\nname = "camera"\naddress = "0x2E"\n'
    assert refused(text) == [
        "bench.toml:3: device.address must be a whole number, not text ('0x2E')",
        "Write it without quotes: 0x2E.",
    ]


def test_an_impossible_value_is_told_with_its_limit() -> None:
    text = '[[device]]\nname = "camera"\naddress = 200\n'
    assert refused(text) == ["bench.toml:3: device.address must be a whole number <= 127 (200)"]


def test_a_missing_key_is_told_at_its_table() -> None:
    assert refused('\n[[device]]\nname = "camera"\n') == [
        "bench.toml:2: device has no 'address'",
        "Add address = ... to this table.",
    ]


def test_a_word_outside_the_choice_lists_the_choice() -> None:
    text = '[[device]]\nname = "camera"\naddress = 1\nclock = "hosts"\n'
    got = refused(text)
    assert got[0] == "bench.toml:4: device.clock is none of the known words ('hosts')"
    assert got[1] == "Did you mean 'host'? Known words: host, firmware."


def test_types_are_told_in_words_toml_has() -> None:
    text = '[[device]]\nname = "camera"\naddress = 1\nlimit = "9"\n'
    assert refused(text)[0] == "bench.toml:4: device.limit must be a number, not text ('9')"


def test_a_table_in_single_brackets_that_comes_twice_is_told_how_to_write_it() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse("[rule]\na = 1\n\n[rule]  # again\nb = 2\n", "bench.toml")
    assert str(caught.value.place) == "bench.toml:4:6"
    assert "[[rule]]" in caught.value.mend


def test_what_a_struct_itself_refuses_points_at_the_key_it_names() -> None:
    assert refused('[[device]]\naddress = 1\nname = "nobody"\n') == [
        "bench.toml:3: device.name is taken"
    ]


def test_a_wrong_value_in_a_free_table_is_told_at_its_own_line() -> None:
    text = '[[device]]\nname = "a"\naddress = 1\n[device.offsets]\nx = 1\ny = "far"\n'
    assert refused(text)[0].startswith("bench.toml:6: device.offsets.y must be a whole number")


def test_all_errors_are_told_at_once_in_line_order() -> None:
    text = (
        '[[device]]\nname = 5\nadress = 0x2E\n[[device]]\nname = "b"\naddress = -1\n'
        '[[device]]\nname = "c"\naddress = 1\n[[device]]\n'
    )
    with pytest.raises(CollectedError) as caught:
        parse(text, "bench.toml").convert((), Bench)
    assert [error.place.line for error in caught.value.errors if error.place] == [
        1,
        2,
        3,
        6,
        10,
        10,
    ]
    assert str(caught.value).count("bench.toml:") == 6


def test_a_syntax_error_has_line_and_column() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse("a = 1\nb = = 2\n", "bench.toml")
    assert str(caught.value.place) == "bench.toml:2:5"


def test_a_file_cut_in_the_middle_is_told_at_its_last_line() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse('a = 1\nb = """text\n', "bench.toml")
    assert str(caught.value.place) == "bench.toml:2"


def test_a_file_that_is_not_utf8_is_told_at_the_line_of_the_byte() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse(b"a = 1\nb = '\xe9'\n", "bench.toml")
    assert str(caught.value).startswith("bench.toml:2: not UTF-8 text (byte 0xe9)")


@pytest.mark.parametrize("text", ["a = " + "[" * 20_000, "a = " + "[" * 20_000 + "]" * 20_000])
def test_endless_nesting_is_refused_and_not_a_crash(text: str) -> None:
    with pytest.raises(DescriptionError):
        parse(text, "bench.toml")


KEYS = st.sampled_from(["a", "b-1", '"q k"', "'l.k'", '"\\u0041\\""', "x . y", 'z."w".v'])
PLAIN = ["1", "0x2E", "-1.5e3", "true", "1979-05-27 07:32:00", '""', "''", '"a # ] } = [["', "'\\'"]
LONG = ["'''x\n[[t]]\nk = 1'''", '"""\n""x"" \\" = {\n"""', "''''a'''''", '"""a""""']
SCALARS = st.sampled_from([*PLAIN, *LONG])
HEADERS = [
    "",
    "# [c]",
    "[[r]]",
    "[[r.s]]",
    "[[ r . 'q' ]]",
    "[t{}]",
    "[r.u{}]",
    "[r.s.v{}]",
    "[n{}.x]",
]
GAPS = st.sampled_from(["", " ", "\n", " # ] , }\n", "\r\n\t"])


@st.composite
def values(draw: st.DrawFn, depth: int = 2) -> str:
    kind = draw(st.sampled_from(["scalar", "scalar", "list", "table"] if depth else ["scalar"]))
    if kind == "scalar":
        return draw(SCALARS)
    if kind == "list":
        items = draw(st.lists(values(depth - 1), max_size=3))
        return "[" + ",".join(draw(GAPS) + item + draw(GAPS) for item in items) + draw(GAPS) + "]"
    pairs = [f"k{n} = {draw(values(depth - 1))}" for n in range(draw(st.integers(0, 2)))]
    return "{ " + ", ".join(pairs) + " }"


@st.composite
def documents(draw: st.DrawFn) -> str:
    """TOML in pieces that meet often: the same few tables opened again and again."""
    lines = []
    for number in range(draw(st.integers(0, 6))):
        lines.append(draw(st.sampled_from(HEADERS)).format(number))
        key = draw(KEYS)
        lines.append(f"{key} = {draw(values())}{draw(st.sampled_from(['', '  # end', ' ']))}")
    return draw(st.sampled_from(["\n", "\r\n"])).join(lines)


def paths_of(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """Every path of parsed data, the root left out."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    found = set()
    for key, item in items:
        found.add((*path, key))
        if isinstance(item, (dict, list)):
            found |= paths_of(item, (*path, key))
    return found


@given(text=documents())
def test_the_walk_finds_exactly_the_paths_that_tomllib_finds(text: str) -> None:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        with pytest.raises(DescriptionError):
            parse(text, "x.toml")
        return
    document: Document = parse(text, "x.toml")
    assert set(document.lines) == paths_of(data)
    count = text.count("\n") + 1
    assert all(1 <= line <= count for line in document.lines.values())

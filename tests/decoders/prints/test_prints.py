from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import DescriptionError, RecordingError
from decoders.prints.columns import CLOCKS, NO_TIME, Prints
from decoders.prints.prints import PrintDecoder

MS, S = 1_000_000, 1_000_000_000
Rows = list[tuple[Any, ...]]


def rows(table: Prints) -> Rows:
    native = [None if t == NO_TIME else t for t in table.native_ns.tolist()]
    arrival = [None if t == NO_TIME else t for t in table.arrival_ns.tolist()]
    assert table.stamped.tolist() == [t is not None for t in native]
    assert table.arrived.tolist() == [t is not None for t in arrival]
    return list(
        zip(
            table.at_byte.tolist(),
            table.line_bytes.tolist(),
            native,
            [CLOCKS[code] for code in table.clock.tolist()],
            table.epoch.tolist(),
            arrival,
            table.level_words(),
            [table.text_bytes(row) for row in range(len(table))],
            table.damaged.tolist(),
            table.partial.tolist(),
            table.fields_json(),
            strict=True,
        )
    )


def printed(stream: str | bytes, **options: Any) -> tuple[Prints, PrintDecoder]:
    decoder = PrintDecoder("board.log", **options)
    data = stream.encode() if isinstance(stream, str) else stream
    return Prints.concat([decoder.feed(data), decoder.finish()]), decoder


def times(stream: str, **options: Any) -> list[int | None]:
    return [row[2] for row in rows(printed(stream, **options)[0])]


@pytest.mark.parametrize(
    ("line", "native_ns", "clock"),
    [
        ("[   12.345678] cam: ok", 12_345678000, "ticks"),
        ("(12.5) cam: ok", 12_500000000, "ticks"),
        ("12345 ms cam: ok", 12_345000000, "ticks"),
        ("12345ms: cam: ok", 12_345000000, "ticks"),
        ("(12345) cam: ok", 12_345000000, "ticks"),
        ("[12345] cam: ok", 12_345000000, "ticks"),
        ("[ 12345 ]cam: ok", 12_345000000, "ticks"),
        ("12.345s cam: ok", 12_345000000, "ticks"),
        ("12.345678901 cam: ok", 12_345678901, "ticks"),
        ("00:12:34.567 cam: ok", 754_567000000, "day"),
        ("[1d 00:00:01,5] cam: ok", 86401_500000000, "day"),
        ("12345678 us cam: ok", 12_345678000, "ticks"),
        ("12345678µs cam: ok", 12_345678000, "ticks"),
        ("123456789012345678 ns cam: ok", 123456789_012345678, "ticks"),
        ("2023-11-14T22:13:20Z cam: ok", 1700000000_000000000, "wall"),
        ("2023-11-14 23:13:20.123456789+01:00 cam: ok", 1700000000_123456789, "wall"),
        ("[2023-11-14 17:43:20,5-0430] cam: ok", 1700000000_500000000, "wall"),
        ("2023-11-14T22:13:20 cam: ok", 1700000000_000000000, "wall"),
        ("1700000000 cam: ok", 1700000000_000000000, "wall"),
        ("1700000000.123456789 cam: ok", 1700000000_123456789, "wall"),
        ("[1700000000123] cam: ok", 1700000000_123000000, "wall"),
        ("1700000000123456789 cam: ok", 1700000000_123456789, "wall"),
        ("\x1b[0;32m[12345] cam: ok", 12_345000000, "ticks"),
        ("E (12345) cam: ok", 12_345000000, "ticks"),
        ("[WARN] 12.5s cam: ok", 12_500000000, "ticks"),
        ("<4>[   12.5] cam: ok", 12_500000000, "ticks"),
    ],
)
def test_common_stamps_are_read_exactly_without_a_pattern(
    line: str, native_ns: int, clock: str
) -> None:
    table, decoder = printed(line + "\n")
    assert rows(table)[0][2:4] == (native_ns, clock)
    assert table.texts() == ["cam: ok"]
    assert decoder.remarks[0].startswith("stamps were read as ")


@pytest.mark.parametrize(
    "line",
    [
        "hello",
        "12345",
        "12345 caps counted",
        "Count (12345) caps",
        "v1.2.345 ready",
        "[bad] x",
        "2023-11-14 report",
        "12:30 lunch",
        "",
    ],
)
def test_a_number_that_is_no_stamp_is_left_in_the_text(line: str) -> None:
    table, _ = printed(line + "\nready\n")
    assert rows(table)[0][2] is None
    assert table.texts()[0] == (line or "ready")


@pytest.mark.parametrize(
    ("line", "level"),
    [
        ("E (1) cam: x", "error"),
        ("W (1) cam: x", "warning"),
        ("[1] [WARN] low", "warning"),
        ("[1] ERROR: no reply", "error"),
        ("[1] error: no reply", "error"),
        ("[1] I/cam: up", "info"),
        ("[1] D: x", "debug"),
        ("[1] <dbg> x", "debug"),
        ("[1] FATAL stack", "error"),
        ("<3>[1] x", "error"),
        ("[1] (info) x", "info"),
        ("[1] \x1b[31mERROR\x1b[0m x", "error"),
        ("[1] I am here", ""),
        ("[1] error free", ""),
        ("[1] ERRORS: 0", ""),
        ("[1] info about caps", ""),
        ("[1] x ERROR: y", ""),
    ],
)
def test_levels_are_recognised_by_their_marks(line: str, level: str) -> None:
    table, _ = printed(f"{line}\n")
    assert table.level_words() == [level]


def test_the_raw_bytes_of_a_text_stay_as_they_came() -> None:
    stream = b"[1] \x1b[31mred\x1b[0m\xff\xfe\x00\x9b \xc2\xb5\xe2\x80\xae\n"
    table, _ = printed(stream)
    assert table.text_bytes(0) == stream[4:-1]
    assert table.text(0) == "\x1b[31mred\x1b[0m\\xff\\xfe\x00\\x9b µ\u202e"


@pytest.mark.parametrize(
    ("line", "damaged"),
    [
        (b"plain \t text", False),
        ("21 °C".encode(), False),
        (b"\x1b[1;31mred\x1b[0m \x1b[2K\x1b(B\x1b7", False),
        (b"bell \x07 back \x08", False),
        (b"nul \x00", True),
        (b"\xff\xfe", True),
        (b"cut \xe2\x82", True),
        (b"stray \x01", True),
        (b"escape \x1b", True),
        (b"escape \x1b[31", True),
        (b"del \x7f", True),
        (b"c1 \xc2\x9b31m", True),
        ("lost \ufffd".encode(), True),
    ],
)
def test_damaged_lines_are_marked(line: bytes, damaged: bool) -> None:
    table, _ = printed(b"[1] good\n" + line + b"\n[2] good\n")
    assert table.damaged.tolist() == [False, damaged, False]


def test_a_stamp_is_found_in_a_damaged_line() -> None:
    table, _ = printed(b"[1] a\n[2] \xff b\n[3] c\n")
    assert rows(table)[1][2] == 2 * MS


def test_an_escape_before_the_stamp_does_not_hide_it() -> None:
    table, _ = printed("\x1b[0;31mE (12) cam: x\x1b[0m\n")
    assert (rows(table)[0][2], table.texts()) == (12 * MS, ["cam: x\x1b[0m"])


def test_the_form_on_most_of_the_first_lines_is_taken() -> None:
    stream = "boot\n12 ms x\n" + "".join(f"[{k}.500000] line {k}\n" for k in range(3, 9))
    assert times(stream) == [None, None] + [k * S + S // 2 for k in range(3, 9)]


def test_a_long_banner_does_not_hide_the_stamps_after_it() -> None:
    stream = "banner\n" * 200 + "".join(f"[{k}.5] x\n" for k in range(100))
    assert times(stream) == [None] * 200 + [k * S + S // 2 for k in range(100)]


@pytest.mark.parametrize(("stamped", "read"), [(4, False), (5, True)])
def test_bare_numbers_must_stand_on_more_than_half_of_the_lines(stamped: int, read: bool) -> None:
    stream = "".join(f"[{k}] x\n" for k in range(1, stamped + 1)) + "plain\n" * 4
    assert times(stream)[:stamped] == [k * MS if read else None for k in range(1, stamped + 1)]


def test_a_stamp_that_is_not_believed_is_no_time() -> None:
    table, _ = printed("[123000] a\n[123500] b\n[1240] c\n[124500] d\n[125000] e\n")
    assert [row[2:4] for row in rows(table)][2] == (None, CLOCKS[0])


def test_lines_without_a_stamp_inherit_none() -> None:
    assert times("[1] a\nmore\n[3] b\n") == [MS, None, 3 * MS]


def test_the_unit_of_a_bare_number_is_told_by_the_host() -> None:
    decoder = PrintDecoder("board.log")
    parts = [decoder.feed(f"[{k * 500_000}] x\n".encode(), k * S // 2) for k in range(1, 20)]
    table = Prints.concat([*parts, decoder.finish()])
    assert table.native_ns.tolist() == [k * S // 2 for k in range(1, 20)]
    assert (
        "microseconds since start-up: they grow as fast as the host's stamps" in decoder.remarks[0]
    )


@pytest.mark.parametrize(
    ("step", "unit_ns", "words"),
    [
        (1_000, 1_000_000, "milliseconds"),
        (60_000, 1_000_000, "milliseconds"),
        (1_000_000, 1_000, "microseconds"),
        (500_000_000, 1, "nanoseconds"),
    ],
)
def test_without_a_host_the_unit_of_a_bare_number_is_told_by_its_steps(
    step: int, unit_ns: int, words: str
) -> None:
    stream = "".join(f"[{k * step}] x\n" for k in range(1, 7))
    table, decoder = printed(stream)
    assert table.native_ns.tolist() == [k * step * unit_ns for k in range(1, 7)]
    assert f"numbers in brackets, {words} since start-up" in decoder.remarks[0]


def test_what_was_assumed_is_told() -> None:
    _, decoder = printed(b"[1] a\r\n[2] b\n[3] \xff\n" + b"x" * 70_000)
    assert decoder.remarks == [
        "stamps were read as numbers in brackets, milliseconds since start-up: "
        "the usual unit, for nothing tells another",
        "line endings are mixed: 2 LF, 1 CRLF",
        "cut in pieces of 64 KiB: 1 line",
        "bytes that printed text has none of: 1 of 5 lines",
    ]


def test_a_log_without_stamps_says_so() -> None:
    assert printed("hello\nworld\n")[1].remarks == [
        "no stamp was recognised in the lines: a line pattern in a bench file can name it"
    ]


PATTERN = r"^\[(?P<ms>\d+)\] (?P<level>\w+) (?P<text>.*)$"


def test_a_line_pattern_names_the_parts_of_a_line() -> None:
    table, decoder = printed("[12] WARN low\n[13] hint x\nodd\n", line=PATTERN)
    assert [(row[2], row[6], row[7]) for row in rows(table)] == [
        (12 * MS, "warning", b"low"),
        (13 * MS, "", b"x"),
        (None, "", b"odd"),
    ]
    assert decoder.remarks[0] == "not matched by the line pattern: 1 line"


def test_further_groups_become_fields() -> None:
    table, _ = printed(
        "12.5 cam n=7 up\n13.5 cam up\n??\n",
        line=r"^(?P<s>\S+) (?P<task>\w+) (?:n=(?P<n>\d+) )?(?P<text>.*)$",
    )
    assert table.fields == {"task": ["cam", "cam", None], "n": ["7", None, None]}
    assert table.fields_json() == ['{"task":"cam","n":"7"}', '{"task":"cam"}', None]


@pytest.mark.parametrize(
    ("line", "stream", "native_ns"),
    [
        (r"^(?P<s>\d+)\.(?P<ms>\d{3}) ", "12.345 x\n", 12_345000000),
        (r"^(?P<s>[\d.]+) ", "12.345678901999 x\n", 12_345678901),
        (r"^(?P<s>[\d,]+) ", "12,5 x\n", 12_500000000),
        (r"^(?P<us>\d+) ", "12 x\n", 12_000),
        (r"^(?P<ns>\d+) ", "12 x\n", 12),
        (r"^(?P<ms>[ \d]+):", "   12: x\n", 12_000000),
        (r"^(?P<time>\S+) ", "2023-11-14T22:13:20.25Z x\n", 1700000000_250000000),
        (r"^(?P<time>\S+) ", "1700000000.25 x\n", 1700000000_250000000),
        (r"^(?P<time>\S+) ", "01:02:03.25 x\n", 3723_250000000),
        (r"^(?P<time>\S+) ", "2023-13-14T22:13:20Z x\n", None),
        (r"^(?P<time>\S+) ", "2023-02-30T22:13:20Z x\n", None),
        (r"^(?P<time>\S+) ", "2023-11-14T25:13:20Z x\n", None),
        (r"^(?P<time>\S+) ", "9999-11-14T22:13:20Z x\n", None),
        (r"^(?P<ms>\S+) ", "soon x\n", None),
        (r"^(?P<ms>\S+) ", "-5 x\n", None),
        (r"^(?P<s>\S+) ", "99999999999999999999 x\n", None),
        (r"^(?P<s>\d+) ", "9223372036 x\n", None),
    ],
)
def test_stamp_groups_are_read_exactly(line: str, stream: str, native_ns: int | None) -> None:
    table, _ = printed(stream, line=line)
    assert table.native_ns.tolist() == [NO_TIME if native_ns is None else native_ns]
    assert [code > 0 for code in table.clock.tolist()] == [native_ns is not None]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("(", "unclosed group"),
        ("abc", "no named group"),
        ("", "no named group"),
        (r"(?=x)(?P<ms>\d)", "look-around"),
        (r"(?P<a>x)\1", "backreferences"),
        (r"(?P<a>(?:x{1,100}){1,100})", "too large"),
        (r"(?P<a>x{999999999})", "too large"),
        ("(?P<a>x)" + "y" * 3000, "too large"),
    ],
)
def test_a_wrong_line_pattern_is_refused_with_a_mend(line: str, said: str) -> None:
    with pytest.raises(DescriptionError, match=said) as caught:
        PrintDecoder("board.log", line=line)
    assert caught.value.mend != ""


def test_a_pattern_that_backtracks_for_ever_elsewhere_ends_here() -> None:
    table, _ = printed("a" * 60_000 + "!\n", line=r"^(?P<text>(?:a+)+)$")
    assert len(table) == 1


def test_a_long_line_is_matched_by_its_beginning_and_keeps_its_end() -> None:
    table, _ = printed("[12] INFO " + "ab" * 5000 + "\n", line=PATTERN)
    assert (table.native_ns[0], table.texts()) == (12 * MS, ["ab" * 5000])


def test_a_line_longer_than_64_kib_comes_in_pieces_of_one_stamp() -> None:
    table, _ = printed("[12] " + "x" * 100_000 + "\n[13] y\n")
    assert [row[2] for row in rows(table)] == [12 * MS, None, 13 * MS]
    assert table.partial.tolist() == [True, True, False]
    assert sum(map(len, table.texts())) == 100_001


def test_rollover_and_restart_are_put_straight_and_listed() -> None:
    stream = "[4294967290] a\n[5] b\nplain\n[900] c\n[120] boot\n[620] d\n"
    table, decoder = printed(stream, tick_bits=32)
    assert [row[2] and row[2] // MS for row in rows(table)] == [
        4294967290,
        4294967301,
        None,
        4294968196,
        120,
        620,
    ]
    assert table.epoch.tolist() == [0, 0, 0, 0, 1, 1]
    assert [(jump.row, jump.wraps) for jump in decoder.rollovers] == [(1, 1)]
    assert [(jump.row, jump.kind) for jump in decoder.resets] == [(4, "restart")]
    assert "period of 49.7 d cannot be seen" in " ".join(decoder.remarks)


def test_an_impossible_counter_width_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="tick_bits is 65"):
        PrintDecoder("board.log", tick_bits=65)


def test_an_empty_log_is_refused_with_place_and_mend() -> None:
    with pytest.raises(RecordingError) as caught:
        printed("")
    assert str(caught.value.place) == "board.log:1"
    assert caught.value.mend != ""


def test_a_live_port_may_stay_silent() -> None:
    assert len(printed("", live=True)[0]) == 0


def test_binary_junk_is_lines_of_damage_and_no_crash() -> None:
    junk = np.random.default_rng(7).integers(0, 256, 200_000, dtype=np.uint8).tobytes()
    table, decoder = printed(junk)
    assert np.count_nonzero(table.damaged) > len(table) // 2
    assert "another baud rate, or text that is not UTF-8" in decoder.remarks[-1]
    assert b"".join(table.text_bytes(row) for row in range(len(table))) == junk.translate(
        None, b"\r\n"
    )


def test_a_live_console_can_have_what_is_held_back() -> None:
    decoder = PrintDecoder("port", live=True)
    assert len(decoder.feed(b"[100] up\n[200] go\n")) == 0
    assert decoder.flush().texts() == ["up", "go"]
    assert len(decoder.feed(b"[300] on\n")) == 1


TEXTS = st.sampled_from(
    [
        b"cam: ok",
        b"ERROR: no reply",
        b"WARN low",
        b"[WARN] low",
        b"\xff\x00",
        b"\xc2\xb5",
        b"\x1b[31mred",
        b"",
        b"x" * 40,
    ]
)
STAMPS = st.sampled_from([b"[%d] ", b"[%d] ", b"E (%d) ", b"%d ms ", b"", b"[%d.5] ", b"junk %d "])
ENDS = st.sampled_from([b"\n", b"\r\n", b"\r", b"\n\r"])
LINES = st.tuples(STAMPS, st.one_of(st.integers(0, 3000), st.just(-(10**6))), TEXTS, ENDS)


@st.composite
def logs(draw: st.DrawFn) -> bytes:
    usual = draw(STAMPS)
    now, out = 4_294_900_000, []
    for stamp, step, text, end in draw(st.lists(LINES, max_size=40)):
        now = max(now + step, 7) % 2**32
        form = usual if step % 3 else stamp
        out.append((form % now if b"%d" in form else form) + text + end)
    return b"".join(out) + draw(st.sampled_from([b"", b"cut sho"]))


@settings(max_examples=40, deadline=None)
@given(
    logs(),
    st.lists(st.integers(0, 1500), max_size=12),
    st.sampled_from([None, 32]),
    st.sampled_from([None, PATTERN, r"^(?P<a>\S+) (?P<ms>\d+)", r"^\D*(?P<ms>\d+)"]),
    st.booleans(),
)
def test_prints_do_not_depend_on_how_the_bytes_are_cut(
    stream: bytes, cuts: list[int], tick_bits: int | None, line: str | None, hosted: bool
) -> None:
    def decoded(edges: list[int]) -> tuple[Rows, list[str], list[Any], list[Any]]:
        decoder = PrintDecoder("p", line=line, tick_bits=tick_bits, live=True)
        arrival = 5 * S if hosted else None
        parts = [decoder.feed(stream[a:b], arrival) for a, b in pairwise(edges)]
        table = Prints.concat([*parts, decoder.finish()])
        return rows(table), decoder.remarks, decoder.rollovers, decoder.resets

    whole = decoded([0, len(stream)])
    assert decoded([0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]) == whole
    assert decoded(list(range(len(stream) + 1))) == whole
    offsets = [row[0] for row in whole[0]]
    assert offsets == sorted(set(offsets))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2**40), st.text(max_size=9)), min_size=1, max_size=20))
def test_printed_times_and_texts_come_back(lines: list[tuple[int, str]]) -> None:
    ordered = sorted(t_us for t_us, _ in lines)
    kept = [json.dumps(text) for _, text in lines]  # no line ends in them
    stream = "".join(
        f"[{t_us // 10**6:5d}.{t_us % 10**6:06d}] {text}\n"
        for t_us, text in zip(ordered, kept, strict=True)
    )
    table, _ = printed(stream)
    assert table.native_ns.tolist() == [t_us * 1000 for t_us in ordered]
    assert table.texts() == kept


def released(reads: list[tuple[int, bytes]], calls: list[int]) -> Rows:
    """The rows of a live port: each read after what is due by then, and at some moments beside."""
    decoder = PrintDecoder("port", live=True)
    out: list[Prints] = []
    for stamp, data in [*reads, (1 << 40, b"")]:
        due = [*sorted(call for call in calls if call <= stamp), stamp]
        out += [decoder.release(call - S) for call in due]
        calls = [call for call in calls if call > stamp]
        out.append(decoder.feed(data, stamp))
    return rows(Prints.concat([*out, decoder.finish()]))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2_500),
            st.sampled_from(
                [b"[12] a\n", b"[900] b\r\n", b"[3] c\n", b"plain\n", b"> ", b"[7", b"0] d\n"]
            ),
        ),
        max_size=14,
    ),
    st.lists(st.integers(0, 20_000), max_size=8),
)
def test_what_is_released_depends_on_the_stamps_of_the_reads_alone(
    steps: list[tuple[int, bytes]], calls: list[int]
) -> None:
    stamps = np.cumsum([gap for gap, _ in steps]).tolist()
    reads = [(stamp * MS + S, data) for stamp, (_, data) in zip(stamps, steps, strict=True)]
    assert released(reads, [call * MS + S for call in calls]) == released(reads, [])


def test_line_without_its_end_is_released_when_it_is_old_enough() -> None:
    decoder = PrintDecoder("port", live=True)
    decoder.feed(b"> ", 5 * S)
    assert len(decoder.release(5 * S - 1)) == 0
    assert decoder.held_since_ns == 5 * S
    assert decoder.release(5 * S).texts() == ["> "]
    assert decoder.held_since_ns is None


def test_rest_of_a_line_that_was_released_is_a_piece_of_its_own() -> None:
    decoder = PrintDecoder("port", live=True)
    decoder.feed(b"[12] poll", 1 * S)
    first = decoder.release(1 * S)
    rest = decoder.feed(b" 7\n", 3 * S)
    rest = Prints.concat([rest, decoder.finish()])
    assert (first.texts(), rest.texts()) == (["poll"], [" 7"])
    assert [*first.partial.tolist(), *rest.partial.tolist()] == [True, True]


def test_unit_of_bare_numbers_waits_for_stamps_of_the_host_that_tell_it() -> None:
    decoder = PrintDecoder("port", live=True)
    first = Prints.concat([decoder.feed(b"[1000000] boot\n", 0), decoder.release(2 * S)])
    later = [decoder.feed(b"[%d] poll\n" % (k * 1_000_000), k * S) for k in range(2, 12)]
    assert (first.texts(), first.stamped.tolist()) == (["boot"], [False])
    assert Prints.concat([*later, decoder.finish()]).native_ns[-1] == 11 * S


def test_what_comes_after_an_interruption_begins_a_line() -> None:
    decoder = PrintDecoder("port", live=True)
    decoder.feed(b"[12] po", 1 * S)
    assert decoder.interrupt().texts() == ["po"]
    assert decoder.interrupt().texts() == []
    rows_ = Prints.concat([decoder.feed(b"[13] boot\n", 2 * S), decoder.finish()])
    assert rows_.texts() == ["boot"]

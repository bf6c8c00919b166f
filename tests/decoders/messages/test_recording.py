from __future__ import annotations

import json
import re
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import RecordingError
from decoders.messages.columns import DIRECTIONS, Messages
from decoders.messages.recording import MessageDecoder


def rows(table: Messages) -> list[tuple[Any, ...]]:
    return list(
        zip(
            table.t_ns.tolist(),
            table.line.tolist(),
            table.topic_texts(),
            table.client_texts(),
            [DIRECTIONS[code] for code in table.direction.tolist()],
            table.payloads(),
            table.qos.tolist(),
            table.retain.tolist(),
            table.duplicate.tolist(),
            strict=True,
        )
    )


def decoded(text: str | bytes) -> tuple[list[tuple[Any, ...]], MessageDecoder]:
    decoder = MessageDecoder("broker.jsonl")
    data = text.encode() if isinstance(text, str) else text
    return rows(decoder.feed(data)) + rows(decoder.finish()), decoder


def payloads(text: str | bytes) -> list[bytes]:
    return [row[5] for row in decoded(text)[0]]


def test_every_member_of_a_line_has_its_column() -> None:
    got, _ = decoded(
        '{"t": 1700000000.25, "topic": "line/cam", "payload": "{\\"n\\": 2}", "qos": 1,'
        ' "retain": true, "dup": true, "client": "board-1", "direction": "to-broker", "x": [1]}\n'
    )
    assert got == [
        (
            1700000000_250000000,
            1,
            "line/cam",
            "board-1",
            "to-broker",
            b'{"n": 2}',
            1,
            True,
            True,
        )
    ]


def test_what_is_not_recorded_is_not_made_up() -> None:
    got, _ = decoded('{"t": 0, "topic": "a"}')
    assert got == [(0, 1, "a", "", "", b"", -1, False, False)]


@pytest.mark.parametrize(
    ("t", "t_ns"),
    [
        ("1700000000", 1700000000_000000000),
        ("1700000000.123456789", 1700000000_123456789),  # float64 would read ...123456717
        ("1700000000.1234567899", 1700000000_123456789),
        ("0.000000001", 1),
        ("-1.5", -1_500000000),
        ("1.7e9", 1700000000_000000000),
        ("1.700000000123456789E+9", 1700000000_123456789),
        ("1e-9", 1),
        ("1700000000123", 1700000000_123000000),
        ("1700000000123456", 1700000000_123456000),
        ("1700000000123456789", 1700000000_123456789),
        ('"1700000000.5"', 1700000000_500000000),
        ('"2023-11-14T22:13:20Z"', 1700000000_000000000),  # date -u -d @1700000000
        ('"2023-11-14 23:13:20,000000001+01:00"', 1700000000_000000001),
        ('"2023-11-14T17:43:20.5-0430"', 1700000000_500000000),
        ('"2016-12-31T23:59:60Z"', 1483228800_000000000),  # leap second, RFC 3339 section 5.8
        ('"1969-12-31T23:59:59.75Z"', -250000000),
    ],
)
def test_times_are_exact_to_the_nanosecond(t: str, t_ns: int) -> None:
    got, _ = decoded(f'{{"t": {t}, "topic": "a"}}')
    assert got[0][0] == t_ns


# int64 ns end on 2262-04-11 at 23:47:16.854775807 UTC
@pytest.mark.parametrize(
    ("t", "t_ns"),
    [
        ('"2262-04-11T23:47:15.999999999Z"', 9_223_372_035_999_999_999),
        ('"2262-04-12T00:00:00Z"', None),
        ('"9999-12-31T23:59:59Z"', None),
        ("9223372035.9", 9_223_372_035_900_000_000),
        ("9223372036.854775807", 2**63 - 1),
        ("9223372036854775807", 2**63 - 1),
        ("1e19", None),
    ],
)
def test_times_beyond_64_bits_of_ns_are_refused(t: str, t_ns: int | None) -> None:
    line = f'{{"t": {t}, "topic": "a"}}'
    if t_ns is not None:
        assert decoded(line)[0][0][0] == t_ns
        return
    with pytest.raises(RecordingError, match="'t' is no time"):
        decoded(line)


def test_a_time_in_nanoseconds_goes_before_t() -> None:
    got, _ = decoded('{"t": 1, "t_ns": 9223372036854775807, "topic": "a"}')
    assert got[0][0] == 2**63 - 1


def test_assumptions_about_time_are_told() -> None:
    _, decoder = decoded(
        '{"t": 1700000000123, "topic": "a"}\n{"t": "2023-11-14T22:13:20", "topic": "a"}\n'
    )
    assert decoder.remarks == [
        "times too large to be seconds were taken as ms",
        "times without a zone were taken as UTC",
    ]


@pytest.mark.parametrize(
    ("member", "payload"),
    [
        ('"payload": "plain"', b"plain"),
        ('"payload": "\\u00e9\\n\\ud83d\\ude00"', "é\n😀".encode()),
        ('"payload": {"a" : [1, 2]}', b'{"a" : [1, 2]}'),
        ('"payload": 41.70', b"41.70"),
        ('"payload": true', b"true"),
        ('"payload": null', b""),
        ('"payload": ""', b""),
        ('"payload_hex": "00ff1B"', b"\x00\xff\x1b"),
        ('"payload": "\\u0000\\u001b[31m"', b"\x00\x1b[31m"),
    ],
)
def test_payloads_are_the_bytes_that_were_sent(member: str, payload: bytes) -> None:
    assert payloads(f'{{"t": 1, "topic": "a", {member}}}') == [payload]


@pytest.mark.parametrize(
    ("member", "payload"),
    [
        ('"payload": "\\udcff\\udc80ok"', b"\xff\x80ok"),  # how PEP 383 writes bytes
        ('"payload": "\\ud800\\n"', b"\xed\xa0\x80\n"),
        ('"payload": {"a": NaN, "b": -Infinity}', b'{"a": NaN, "b": -Infinity}'),
        ('"payload": {"a": 1e999}', b'{"a": 1e999}'),
        ('"payload": {"a": 1, "a": 2}', b'{"a": 1, "a": 2}'),
        ('"payload": ' + "1" * 5000, b"1" * 5000),
        ('"payload": ' + "[" * 100_000 + "]" * 100_000, b"[" * 100_000 + b"]" * 100_000),
    ],
    ids=["bytes", "surrogate", "nan", "huge float", "twice", "huge integer", "deep"],
)
def test_hostile_payloads_are_kept_and_harm_nothing(member: str, payload: bytes) -> None:
    assert payloads(f'{{"t": 1, "topic": "a", {member}}}') == [payload]


def test_bytes_that_are_no_utf8_inside_a_payload_are_kept() -> None:
    assert payloads(b'{"t": 1, "topic": "a", "payload": "\xff\\n\x80"}') == [b"\xff\n\x80"]


def test_retain_may_be_written_as_a_number() -> None:
    got, _ = decoded('{"t": 1, "topic": "a", "retain": 1, "duplicate": 0}')
    assert got[0][7:] == (True, False)


def test_bom_blank_lines_and_carriage_returns_are_passed_over() -> None:
    got, decoder = decoded(b'\xef\xbb\xbf\r\n{"t":1,"topic":"a"}\r\n\n  \n{"t":2,"topic":"b"}\r\n')
    assert [(row[0], row[1], row[2]) for row in got] == [
        (1_000000000, 2, "a"),
        (2_000000000, 5, "b"),
    ]
    assert decoder.bad_count == 0


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        (b"\x00\x01\x02\xff\xfe junk", 1, "this is not JSON"),
        (b"\n\nhello\n", 3, "this is not JSON"),
        (b"[1, 2]\n", 1, "not a JSON object"),
        (b"12\n", 1, "not a JSON object"),
        (b'{"t": 1, "payload": "x"}\n', 1, "no 'topic' in it"),
        (b'{"topic": "a"}\n', 1, "no time 't' in it"),
        (b'{"t": "soon", "topic": "a"}\n', 1, "'t' is no time"),
        (b'{"t": 1e30, "topic": "a"}\n', 1, "'t' is no time"),
        (b'{"t": 1e999999999, "topic": "a"}\n', 1, "'t' is no time"),
        (b'{"t": null, "topic": "a"}\n', 1, "'t' is no time"),
        (b'{"t": "2023-02-30T00:00:00Z", "topic": "a"}\n', 1, "'t' is no time"),
        (b'{"t_ns": 9223372036854775808, "topic": "a"}\n', 1, "'t_ns' is out of range"),
        (b'{"t": 1, "topic": 5}\n', 1, "'topic' is int, not str"),
        (b'{"t": 1, "topic": "a", "qos": 3}\n', 1, "'qos' is 3, not 0, 1 or 2"),
        (b'{"t": 1, "topic": "a", "payload_hex": "0g"}\n', 1, "'payload_hex' is not hex"),
        (b'{"t": 1, "topic": "\\ud800"}\n', 1, "a member other than 'payload' cannot be read"),
        (b'{"t": 1, "topic": "a"} {"t": 2}\n', 1, "this is not JSON"),
        (b'{"t": 1, "topic": "a", "payload": "cut', 1, "the last line is cut short"),
        (b"\xff\xfe{\x00", 1, "this is UTF-16 text, not JSON lines in UTF-8"),
        (b"x" * 10_000_000, 1, "the line is longer than 8 MiB"),
        (b"", 1, "nothing in it to read"),
        (b"\n \n", 1, "nothing in it to read"),
    ],
)
def test_a_file_that_is_no_recording_is_refused_with_line_and_mend(
    text: bytes, line: int, message: str
) -> None:
    with pytest.raises(RecordingError) as caught:
        decoded(text)
    assert caught.value.message == message
    assert str(caught.value.place) == f"broker.jsonl:{line}"
    assert re.search(r"one JSON object a line|UTF-8", caught.value.mend)


def test_bad_lines_after_good_ones_are_counted_and_passed_over() -> None:
    good = '{"t": 1, "topic": "a"}\n'
    got, decoder = decoded(good + "junk\n" + good + '{"t": 1}\n' * 30 + good + '{"t": 1, "to')
    assert [row[1] for row in got] == [1, 3, 34]
    assert decoder.bad_count == 32
    assert decoder.bad_lines[:2] == [(2, "this is not JSON"), (4, "no 'topic' in it")]
    assert len(decoder.bad_lines) == 20
    assert decoder.remarks == [
        "32 lines were passed over, which could not be read (line 2: this is not JSON, "
        "line 4: no 'topic' in it, line 5: no 'topic' in it, ...)"
    ]


def test_a_recording_cut_in_the_middle_keeps_what_was_whole() -> None:
    got, decoder = decoded('{"t": 1, "topic": "a"}\n{"t": 2, "topic": "b", "pay')
    assert [row[2] for row in got] == ["a"]
    assert decoder.bad_lines == [(2, "the last line is cut short")]
    assert decoder.remarks == [
        "1 line was passed over, which could not be read (line 2: the last line is cut short)"
    ]


def test_an_over_long_line_between_good_ones_is_not_held() -> None:
    good = b'{"t": 1, "topic": "a"}\n'
    decoder = MessageDecoder("broker.jsonl")
    got = rows(decoder.feed(good))
    for _ in range(10):
        got += rows(decoder.feed(b"x" * 1_000_000))
    got += rows(decoder.feed(b"\n" + good))
    assert [row[1] for row in got + rows(decoder.finish())] == [1, 3]
    assert decoder.bad_lines == [(2, "the line is longer than 8 MiB")]


def test_a_live_source_may_stay_silent() -> None:
    decoder = MessageDecoder("broker", live=True)
    assert len(decoder.feed(b"")) + len(decoder.finish()) == 0


LINES = st.one_of(
    st.builds(
        lambda t, topic, payload, extra: (
            json.dumps({"t": t, "topic": topic, "payload": payload})[:-1] + extra + "}"
        ),
        st.decimals(0, 2_000_000_000, places=6).map(float),
        st.sampled_from(["a", "line/cam", "ä/b", "$SYS/x"]),
        st.one_of(st.text(max_size=8), st.integers(), st.lists(st.booleans(), max_size=2)),
        st.sampled_from(["", ', "qos": 1', ', "dup": true, "client": "c"', ', "x": NaN']),
    ).map(str.encode),
    st.sampled_from([b"", b"junk", b'{"t": 1}', b"\xff", b'{"t": 1, "topic": "c\xc3\xa9"}\r']),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(LINES, max_size=8), st.lists(st.integers(0, 900), max_size=12), st.booleans())
def test_messages_do_not_depend_on_how_the_recording_is_cut(
    lines: list[bytes], cuts: list[int], ended: bool
) -> None:
    stream = b'\xef\xbb\xbf{"t": 0.5, "topic": "first"}\n' + b"\n".join(lines)
    stream += b"\n" if ended else b""
    whole, pieces, single = (MessageDecoder("m") for _ in range(3))
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    expected = rows(Messages.concat([whole.feed(stream), whole.finish()]))
    cut = [pieces.feed(stream[a:b]) for a, b in pairwise(edges)]
    ones = [single.feed(stream[k : k + 1]) for k in range(len(stream))]
    assert rows(Messages.concat([*cut, pieces.finish()])) == expected
    assert rows(Messages.concat([*ones, single.finish()])) == expected
    assert whole.bad_lines == pieces.bad_lines == single.bad_lines
    assert whole.remarks == pieces.remarks == single.remarks


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2**62), st.binary(max_size=12)), min_size=1, max_size=5))
def test_a_recording_written_from_messages_gives_them_back(
    sent: list[tuple[int, bytes]],
) -> None:
    lines = [
        json.dumps({"t_ns": t_ns, "topic": "a", "payload": data.decode("utf-8", "surrogateescape")})
        for t_ns, data in sent
    ]
    got, _ = decoded("\n".join(lines))
    assert [(row[0], row[5]) for row in got] == sent

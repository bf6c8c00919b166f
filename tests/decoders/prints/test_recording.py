from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.errors import RecordingError
from decoders.prints import recording
from decoders.prints.columns import Prints
from decoders.prints.recording import SerialRecordingDecoder

MS, S = 1_000_000, 1_000_000_000


def recorded(text: str | bytes, **options: Any) -> tuple[Prints, SerialRecordingDecoder]:
    decoder = SerialRecordingDecoder("port.jsonl", **options)
    data = text.encode() if isinstance(text, str) else text
    return Prints.concat([decoder.feed(data), decoder.finish()]), decoder


def rows(table: Prints) -> list[tuple[int, int, str, bool]]:
    return list(
        zip(
            table.arrival_ns.tolist(),
            table.native_ns.tolist(),
            table.texts(),
            table.partial.tolist(),
            strict=True,
        )
    )


def test_a_line_spread_over_records_arrives_with_its_first_byte() -> None:
    table, _ = recorded(
        '{"t": 1700000000.123456789, "text": "[1] on"}\n'
        '{"t": 1700000000.2, "hex": "650a5b325d2074776f0a5b335d20"}\n'
        '{"t_ns": 1700000000300000001, "text": "three\\n[4] four"}\n'
    )
    assert rows(table) == [
        (1700000000_123456789, 1 * MS, "one", False),
        (1700000000_200000000, 2 * MS, "two", False),
        (1700000000_200000000, 3 * MS, "three", False),
        (1700000000_300000001, 4 * MS, "four", True),
    ]


def test_records_without_line_endings_are_lines() -> None:
    text = "".join(f'{{"t": {k}, "text": "[{k}000] line {k}"}}\n' for k in range(100))
    table, decoder = recorded(text)
    assert rows(table) == [(k * S, k * S, f"line {k}", False) for k in range(100)]
    assert decoder.remarks[0] == "every record was taken as one line, for none has a line ending"


def test_no_more_than_64_records_wait_for_a_line_ending() -> None:
    decoder = SerialRecordingDecoder("port.jsonl", line=r"^(?P<text>.*)$")
    records = [f'{{"t": {k}, "text": "line {k}"}}\n'.encode() for k in range(66)]
    given = [len(decoder.feed(record)) for record in records]
    assert given == [0] * 63 + [64, 1, 1]


def test_bytes_that_are_no_text_come_through_hex_and_escapes() -> None:
    table, _ = recorded(
        '{"t": 1, "hex": "FF00 1b"}\n{"t": 1, "text": "\\udc80\\u0000\\ud83d\\ude00\\n"}\n'
    )
    assert table.text_bytes(0) == b"\xff\x00\x1b\x80\x00" + "😀".encode()


def test_the_bench_file_options_reach_the_lines() -> None:
    table, decoder = recorded(
        '{"t": 1, "text": "65530|a\\n"}\n{"t": 1.01, "text": "4|b\\n"}\n',
        line=r"^(?P<ms>\d+)\|(?P<text>.*)$",
        tick_bits=16,
    )
    assert table.native_ns.tolist() == [65530 * MS, 65540 * MS]
    assert [jump.wraps for jump in decoder.rollovers] == [1]
    assert decoder.resets == []


@pytest.mark.parametrize(
    ("text", "place", "message"),
    [
        (b"", 1, "nothing in it to read"),
        (b"\xff\x00\x17junk", 1, "this is not JSON"),
        (b'\n{"t": 1}\n', 2, "no 'hex' or 'text' in it"),
        (b'{"text": "x"}\n', 1, "no time 't' in it"),
        (b'{"t": 1, "hex": "0"}\n', 1, "'hex' is not hex"),
        (b'{"t": 1, "hex": 5}\n', 1, "'hex' is int, not str"),
        (b'{"t": 1, "text": 5}\n', 1, "'text' is not a string"),
        (b'{"t": [], "text": "x"}\n', 1, "'t' is no time"),
        (b'{"t": 1, "text": "cu', 1, "the last line is cut short"),
        (b"x" * 10_000_000 + b"\n", 1, "the line is longer than 8 MiB"),
    ],
)
def test_a_file_that_is_no_recording_is_refused_with_line_and_mend(
    text: bytes, place: int, message: str
) -> None:
    with pytest.raises(RecordingError) as caught:
        recorded(text)
    assert (str(caught.value.place), caught.value.message) == (f"port.jsonl:{place}", message)
    assert "one JSON object a line" in caught.value.mend


def test_bad_lines_after_good_ones_are_counted_and_passed_over() -> None:
    table, decoder = recorded('{"t": 1, "text": "a\\n"}\nx\n{"t": 2, "text": "b\\n"}\n{"t": 3, "te')
    assert table.texts() == ["a", "b"]
    assert decoder.bad_lines == [(2, "this is not JSON"), (4, "the last line is cut short")]
    assert decoder.bad_count == 2


def test_a_live_port_may_stay_silent_and_be_flushed() -> None:
    decoder = SerialRecordingDecoder("port", live=True)
    assert len(decoder.feed(b'{"t": 1, "text": "[1] a\\n"}\n')) == 0
    assert decoder.flush().texts() == ["a"]
    assert len(decoder.finish()) == 0


PARTS = st.one_of(
    st.sampled_from(["[1] one\n", "[2] tw", "o\r\n", "\r", "\n", "", "µ\n", "[3] \udc80\n"]).map(
        lambda text: {"text": text}
    ),
    st.binary(max_size=6).map(lambda data: {"hex": data.hex()}),
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(PARTS, max_size=20),
    st.lists(st.integers(0, 600), max_size=10),
    st.booleans(),
    st.sampled_from([3, 64]),
)
def test_prints_do_not_depend_on_how_the_recording_is_cut(
    parts: list[dict[str, str]], cuts: list[int], bad: bool, head_records: int
) -> None:
    lines = [json.dumps({"t": 1 + k / 8, **part}) for k, part in enumerate(parts)]
    stream = ("\n".join([*lines, "junk", ""]) if bad and lines else "\n".join(lines)).encode()

    def decoded(edges: list[int]) -> tuple[Any, ...]:
        decoder = SerialRecordingDecoder("p", live=True)
        fed = [decoder.feed(stream[a:b]) for a, b in pairwise(edges)]
        table = Prints.concat([*fed, decoder.finish()])
        data = [table.text_bytes(row) for row in range(len(table))]
        return rows(table), data, table.at_byte.tolist(), decoder.remarks, decoder.bad_lines

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recording, "_HEAD_RECORDS", head_records)
        whole = decoded([0, len(stream)])
        assert decoded([0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]) == whole
        assert decoded(list(range(len(stream) + 1))) == whole

"""Messages as a table."""

from __future__ import annotations

import json

import polars as pl

from console.bench.tables import TABLES
from console.timeline.tables.message_tables import messages_frame
from decoders.messages.recording import MessageDecoder


def frame_of(*records: dict[str, object]) -> pl.DataFrame:
    decoder = MessageDecoder("broker.jsonl")
    rows = decoder.feed("".join(json.dumps(record) + "\n" for record in records).encode())
    return messages_frame(rows, "broker")


def test_a_message_is_one_row_in_words() -> None:
    frame = frame_of(
        {"t": 1.5, "topic": "a/b", "payload": '{"n": 2}', "qos": 0, "direction": "to-broker"}
    )
    assert {**frame.schema, "band_ns": pl.Int64} == dict(TABLES["messages"])
    assert frame.row(0, named=True) == {
        "t_ns": 1_500_000_000,
        "source": "broker",
        "client": "",
        "direction": "to-broker",
        "topic": "a/b",
        "payload": '{"n": 2}',
        "qos": 0,
        "retain": False,
        "duplicate": False,
        "fields": '{"n":2}',
    }


def test_a_qos_that_was_not_recorded_is_null() -> None:
    frame = frame_of({"t": 1, "topic": "a"}, {"t": 2, "topic": "a", "qos": 0})
    assert frame["qos"].to_list() == [None, 0]


def test_messages_keep_the_order_of_their_recording_though_its_clock_was_set_back() -> None:
    records = [{"t": 5 - k // 100, "topic": "a", "payload": str(k)} for k in range(300)]
    payloads = [int(text) for text in frame_of(*records)["payload"].to_list()]
    assert payloads == [*range(300)]


def test_bytes_that_are_no_text_stand_as_escapes() -> None:
    frame = frame_of({"t": 1, "topic": "a", "payload_hex": "ff41"})
    assert frame["payload"].to_list() == ["\\xffA"]

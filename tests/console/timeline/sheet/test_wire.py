"""The bytes of a packet are those the decoder cut, whatever the framing."""

from __future__ import annotations

import pytest
from crccheck.crc import Crc8Smbus
from hypothesis import given, settings
from hypothesis import strategies as st

from console.timeline.sheet.wire import on_wire, pec_of
from tests.console.timeline.sheet.benches import decoded, in_start_order, run_of
from tests.decoders.packets.tables import PEC, REGISTERS, SENTENCES, Row, sentence

STREAM = """
order = "big"
framing = "stream"
[[packet]]
name = "p"
field = [
  { name = "sync", type = "sync", bytes = "A5 5A" },
  { name = "length", type = "u8", length_of = "body" },
  { name = "body", type = "bytes" },
]
"""
WHOLE = b"\xa5\x5a\x03abc"
LEVEL = sentence(b"CIDR,7,41.5")
PIECES = st.sampled_from([WHOLE, WHOLE * 2, WHOLE[:3], WHOLE[3:], b"\xa5\x5a\x00", b"junk", b""])


def assert_bytes_are_those_decoded(rows: list[Row], description: str, *, pec: bool = False) -> None:
    run, packets = run_of(rows, description, pec=pec), decoded(rows, description, pec=pec)
    table = run.tables["packets"]
    told = [on_wire(run, at, table.row(at, named=True)).data for at in range(table.height)]
    assert told == [packets.bytes_of(row) for row in in_start_order(packets)]


@settings(max_examples=40)
@given(st.lists(st.tuples(st.sampled_from(["read", "write", "read+other"]), PIECES), max_size=12))
def test_packets_of_a_stream_are_cut_again_as_they_were(rows: list[Row]) -> None:
    assert_bytes_are_those_decoded(rows, STREAM)


@settings(max_examples=40)
@given(st.lists(st.sampled_from([LEVEL, LEVEL + b"\r\n", LEVEL[:6], b"\n", b"noise"]), max_size=12))
def test_sentences_are_cut_again_as_they_were(pieces: list[bytes]) -> None:
    assert_bytes_are_those_decoded([("read", piece) for piece in pieces], SENTENCES)


@settings(max_examples=40)
@given(
    st.lists(
        st.sampled_from(
            [
                ("write+restart", b"\x10"),
                ("read", b"\x01\x02"),
                ("write", b"\x11\x05"),
                ("write", b"\x11"),
                ("read", b"\x0b"),
                ("read", b"\xff\xff"),
                ("write+refused", b""),
            ]
        ),
        max_size=12,
    ),
    st.booleans(),
)
def test_register_numbers_and_packet_error_codes_are_no_part_of_a_packet(
    rows: list[Row], pec: bool
) -> None:
    assert_bytes_are_those_decoded(rows, REGISTERS, pec=pec)


def test_a_stream_longer_than_what_is_looked_back_at_is_still_told() -> None:
    assert_bytes_are_those_decoded([("read", WHOLE)] * 300, STREAM)


def test_the_wire_before_a_read_counts_what_was_written_before_a_repeated_start() -> None:
    run = run_of([("write+restart", b"\x42"), ("read", b"\x01\x02\x63")], PEC)
    packet = run.tables["packets"].row(1, named=True)
    assert on_wire(run, 1, packet).prefix == b"\x5c\x42\x5d"


# SMBus 3.2 section 6.4: the code covers all bytes of the message, address bytes included.
@pytest.mark.parametrize("sent", [0x80, 0x00])
def test_the_error_code_of_a_message_covers_it_from_its_start(sent: int) -> None:
    rows: list[Row] = [("write+restart", b"\x42"), ("read", b"\x01\x02" + bytes([sent]))]
    run = run_of(rows, None, pec=True)
    run.tables["transactions"][1, "started_by"] = "restart"
    told = pec_of(run, 1)
    assert told is not None
    assert told.received == sent
    assert told.computed == Crc8Smbus.calc(b"\x5c\x42\x5d\x01\x02")
    assert pec_of(run, 0) is None


def test_a_device_without_error_codes_has_none() -> None:
    assert pec_of(run_of([("read", b"\x01\x02")], None), 0) is None

"""The sheet of a packet: fields in their places, problems in words, beside the last good one."""

from __future__ import annotations

import time

import pytest

from console.timeline.sheet.fields import Packet, field_lines
from console.timeline.sheet.lines import (
    MOST_FIELDS,
    MOST_RAW,
    Change,
    CheckCode,
    More,
    RawBytes,
    Sheet,
)
from console.timeline.sheet.lines import Field as Line
from console.timeline.sheet.packet import MOST_READ
from console.timeline.sheet.wire import OnWire
from decoders.packets.one import OneByOne
from decoders.packets.resolve import read_packets
from tests.console.timeline.sheet.benches import bench_of, field, of_kind, run_of, sheet_of
from tests.decoders.packets.tables import REGISTERS, Row

CAMERA = """
order = "little"
[[packet]]
name = "blocks"
direction = "read"
[[packet.field]]
name = "sync"
type = "sync"
bytes = "A5 5A"
[[packet.field]]
name = "count"
type = "u8"
count_of = "blocks"
[[packet.field]]
name = "sequence"
type = "u8"
[[packet.field]]
name = "blocks"
type = "repeat"
field = [
  { name = "colour", type = "u8", values = { red = 1, green = 2 } },
  { name = "x", type = "u16", max = 319, unit = "px" },
]
[[packet.field]]
name = "sum"
type = "check"
check = "sum8"
over = ["sequence", "blocks"]
"""


def reply(sequence: int, *blocks: tuple[str, int], wrong: int = 0) -> bytes:
    values = {"sequence": sequence, "blocks": [{"colour": c, "x": x} for c, x in blocks]}
    data = OneByOne(read_packets(CAMERA, "p.toml").kind("blocks")).build_one(values)
    return data[:-1] + bytes([data[-1] + wrong & 0xFF])


def packet_sheet(*replies: bytes, description: str = CAMERA) -> Sheet:
    rows: list[Row] = [("read", data) for data in replies]
    run = run_of(rows, description)
    last = run.tables["packets"].height - 1
    return sheet_of(run.tables, "packets", last, bench_of(description))


def test_fields_stand_at_their_bytes_with_units_and_limits() -> None:
    sheet = packet_sheet(reply(7, ("green", 260)))
    assert sheet.title == "blocks from camera"
    assert sheet.compared == "no good blocks packet before it to compare with"
    assert field(sheet, "x") == Line(
        "x", "260", 1, "px", begin=5, end=7, content=b"\x04\x01", allowed="at most 319"
    )
    assert field(sheet, "colour").value == "green"
    assert field(sheet, "sync").allowed == "always A5 5A"


def test_a_field_that_differs_is_lit_and_says_what_it_was() -> None:
    sheet = packet_sheet(reply(7, ("green", 260)), reply(8, ("green", 250)))
    changes = {line.name: line.change for line in of_kind(sheet, Line) if line.begin >= 0}
    assert changes == {
        "sync": Change.SAME,
        "count": Change.SAME,
        "sequence": Change.STEPS,
        "colour": Change.SAME,
        "x": Change.DIFFERS,
    }
    assert field(sheet, "x").was == "260"
    assert sheet.compared == "beside the last good one, 1 ms before"


def test_the_bytes_that_differ_are_those_of_the_fields_that_differ() -> None:
    sheet = packet_sheet(reply(7, ("green", 260)), reply(8, ("green", 250)))
    (raw,) = of_kind(sheet, RawBytes)
    marks = "".join(change.value[0] for change in raw.changes)  # same, steps, differs
    assert (raw.data.hex(), marks) == ("a55a010802fa0004", "sssssdds")
    assert raw.changes[3] is Change.STEPS
    assert raw.changes[7] is Change.STEPS  # a right sum follows what it covers


def test_a_counter_that_skips_is_lit() -> None:
    sheet = packet_sheet(reply(5), reply(6), reply(9))
    assert field(sheet, "sequence").change is Change.DIFFERS


def test_a_packet_is_compared_with_a_good_one_and_not_with_a_bad_one() -> None:
    sheet = packet_sheet(reply(5), reply(6, wrong=1), reply(7))
    assert sheet.compared == "beside the last good one, 2 ms before"
    assert field(sheet, "sequence").change is Change.STEPS  # two on, one bad between


def test_a_wrong_check_code_is_shown_beside_the_right_one() -> None:
    sheet = packet_sheet(reply(7, ("green", 260), wrong=1))
    (code,) = of_kind(sheet, CheckCode)
    # the sum of bytes 3 to 6: 07 02 04 01
    assert (code.received, code.computed, code.over) == ("0F", "0E", "bytes 3 to 6")
    assert code.is_right is False
    assert sheet.problems == ("wrong check code",)


def test_the_number_of_items_is_compared_and_items_are_matched_by_place() -> None:
    sheet = packet_sheet(reply(1, ("red", 1)), reply(2, ("red", 1), ("green", 2)))
    blocks = field(sheet, "blocks")
    assert (blocks.value, blocks.was, blocks.change) == ("2 items", "1 item", Change.DIFFERS)
    changes = [line.change for line in of_kind(sheet, Line) if line.name == "x"]
    assert changes == [Change.SAME, Change.NEW]


def test_a_value_out_of_range_says_its_limit() -> None:
    sheet = packet_sheet(reply(7, ("green", 520)))
    assert field(sheet, "x").problems == ("above 319",)


def test_a_value_without_a_name_says_which_there_are() -> None:
    data = bytearray(reply(7, ("green", 1)))
    data[4] = 9
    sheet = packet_sheet(bytes(data))
    assert field(sheet, "colour").problems == ("none of red, green",)


def test_a_packet_cut_short_says_what_is_missing() -> None:
    sheet = packet_sheet(reply(6), reply(7)[:3])
    line = field(sheet, "sequence")
    assert (line.value, line.problems) == ("not there", ("the packet ends before it",))
    assert line.change is Change.GONE


def test_filler_is_said_in_words_and_not_taken_apart() -> None:
    sheet = packet_sheet(reply(6), b"\xff" * 8)
    assert not [line for line in of_kind(sheet, Line) if line.begin >= 0]
    assert of_kind(sheet, RawBytes)[0].data == b"\xff" * 8


def test_bits_are_told_one_by_one_under_their_number() -> None:
    run = run_of([("write", b"\x11"), ("read", b"\x0b"), ("read", b"\x0a")], REGISTERS)
    last = run.tables["packets"].height - 1
    sheet = sheet_of(run.tables, "packets", last, bench_of(REGISTERS))
    ready, status = field(sheet, "ready"), field(sheet, "status")
    assert (status.level, ready.level) == (0, 1)
    assert (ready.value, ready.was, ready.change) == ("0", "1", Change.DIFFERS)
    assert field(sheet, "mode").change is Change.SAME


def test_scaled_numbers_are_shown_without_the_dust_of_floats() -> None:
    run = run_of([("write", b"\x10"), ("read", b"\x00\x03")], REGISTERS)
    sheet = sheet_of(run.tables, "packets", 1, bench_of(REGISTERS))
    assert (field(sheet, "level").value, field(sheet, "level").unit) == ("0.3", "cm")


def test_a_device_nobody_described_shows_what_its_table_has() -> None:
    run = run_of([("read", reply(6)), ("read", reply(7, ("red", 9)))], CAMERA)
    sheet = sheet_of(run.tables, "packets", 1, bench_of(None))
    assert field(sheet, "x").value == "9"
    assert field(sheet, "sequence").change is Change.STEPS
    assert of_kind(sheet, RawBytes)[0].data == reply(7, ("red", 9))


def test_a_packet_too_long_to_take_apart_shows_its_bytes_and_what_its_table_has() -> None:
    blob = """
[[packet]]
name = "blob"
direction = "read"
field = [{ name = "body", type = "bytes" }]
"""
    began = time.perf_counter()
    sheet = packet_sheet(b"\x01" * 1_000_000, description=blob)
    assert time.perf_counter() - began < 10
    (raw,) = of_kind(sheet, RawBytes)
    assert (len(raw.data), raw.total) == (MOST_RAW, 1_000_000)
    assert len(field(sheet, "body").value) < 300


@pytest.mark.parametrize("items", [1000, (MOST_READ - 5) // 8])
def test_many_bad_items_take_bounded_time_and_lines(items: int) -> None:
    kind = read_packets(CAMERA, "p.toml").kind("blocks")
    one = OneByOne(kind)
    data = b"\xa5\x5a" + bytes([255, 1]) + b"\x09\xff\xff" * items + b"\x00"
    began = time.perf_counter()
    packet = Packet.read(one, OnWire(data, b"", ()))
    lines, changes = field_lines(kind, packet, packet, [], [1])
    assert time.perf_counter() - began < 2
    assert len(lines) == MOST_FIELDS + 1
    assert isinstance(lines[-1], More)
    assert len(changes) == len(data)


def test_a_constant_that_is_another_says_what_it_must_be() -> None:
    data = b"\xa5\x5b" + reply(7)[2:]
    run = run_of([("read", data)], CAMERA)
    sheet = sheet_of(run.tables, "packets", 0, bench_of(CAMERA))
    assert field(sheet, "sync").problems == ("not A5 5A",)

"""Packets of transactions, streams and lines, whole and in chunks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from decoders.buses.transactions import Transactions
from decoders.packets.columns import joined
from decoders.packets.decoder import PacketDecoder
from decoders.packets.fields import fields_of
from decoders.packets.layout import PROBLEMS, PacketSet
from decoders.packets.one import OneByOne
from decoders.packets.resolve import read_packets
from decoders.packets.showing import fields_json
from tests.decoders.packets.tables import (
    ADDRESS,
    BLOCK,
    PEC,
    REGISTERS,
    SENTENCES,
    ask_of,
    reply_of,
    sentence,
    serial,
    told,
)

Transact = Callable[..., Transactions]


def names_and_problems(packet_set: PacketSet, table: Transactions) -> list[tuple[str, list[str]]]:
    """The kind and the problems of each packet of some transactions."""
    decoder = PacketDecoder(packet_set, ADDRESS)
    whole = joined([decoder.feed(table), decoder.finish()])
    return [(each[0], each[4]) for each in told(packet_set, whole)]


def test_a_request_and_a_reply_over_two_reads_are_two_packets(
    camera: PacketSet, transact: Transact
) -> None:
    ask, reply = ask_of(camera), reply_of(camera)
    decoder = PacketDecoder(camera, ADDRESS)
    got = decoder.feed(
        transact([("write", ask), ("read", reply[:7]), ("read", reply[7:]), ("write", ask)])
    )
    assert got.start_ns.tolist() == [0, 1_000_000, 3_000_000]
    assert got.end_ns.tolist() == [100_000, 2_100_000, 3_100_000]
    assert got.from_row.tolist() == [0, 1, 3]
    assert got.until_row.tolist() == [0, 2, 3]
    assert got.problems.tolist() == [0, 0, 0]
    assert fields_json(got, camera)[1] == (
        '{"sync":"a55a","kind":49,"length":16,"sequence":1,"blocks":['
        '{"colour":"red","x":10,"y":20,"w":3,"h":4},{"colour":"red","x":10,"y":20,"w":3,"h":4}],'
        '"sum":77}'
    )


def test_transactions_of_other_devices_are_left_out(camera: PacketSet, transact: Transact) -> None:
    rows = [("write+other", ask_of(camera)), ("write", ask_of(camera))]
    got = PacketDecoder(camera, ADDRESS).feed(transact(rows))
    assert got.from_row.tolist() == [1]


def test_a_refused_write_is_no_packet_but_its_time_is_kept(
    camera: PacketSet, transact: Transact
) -> None:
    rows = [("write", ask_of(camera)), ("write+refused", b""), ("read+refused", b"")]
    got = PacketDecoder(camera, ADDRESS).feed(transact(rows))
    assert (len(got), got.refused_ns.tolist()) == (1, [1_000_000])


@pytest.mark.parametrize(
    ("change", "problems"),
    [
        ({0: 0xA4}, ["junk"]),
        ({2: 0x33}, ["constant"]),
        ({3: 0x03}, ["length", "trailing"]),
        ({5: 17}, ["range", "check-code"]),
        ({7: 0}, ["check-code"]),
    ],
)
def test_each_broken_thing_of_a_request_is_named(
    camera: PacketSet, transact: Transact, change: dict[int, int], problems: list[str]
) -> None:
    ask = bytearray(ask_of(camera))
    for at, value in change.items():
        ask[at] = value
    words = {"junk": "sync", "trailing": "length"}  # one whole transaction is one packet
    wanted = [words.get(word, word) for word in problems]
    got = names_and_problems(camera, transact([("write", bytes(ask))]))
    assert got == [("ask", sorted(set(wanted), key=PROBLEMS.index))]


def test_an_impossible_block_is_named_with_its_field_and_item(
    camera: PacketSet, transact: Transact
) -> None:
    values = {"sequence": 1, "blocks": [BLOCK, {**BLOCK, "x": 400, "w": 0}, {**BLOCK, "colour": 9}]}
    reply = OneByOne(camera.kind("blocks")).build_one(values)
    decoder = PacketDecoder(camera, ADDRESS)
    got = decoder.feed(transact([("read", reply)]))
    paths = camera.kind("blocks").layout.paths
    table = got.troubles
    assert [
        (PROBLEMS[p], paths[f], i)
        for p, f, i in zip(table.problem, table.field, table.item.tolist(), strict=True)
    ] == [("enum", "blocks.colour", 2), ("range", "blocks.x", 1), ("range", "blocks.w", 1)]


@pytest.mark.parametrize("filling", [b"\xff" * 16, b"\x00" * 16])
def test_a_read_of_nothing_but_filling_is_filler(
    camera: PacketSet, transact: Transact, filling: bytes
) -> None:
    rows = [("write", ask_of(camera)), ("read", filling), ("write", ask_of(camera))]
    got = names_and_problems(camera, transact(rows))
    assert got == [("ask", []), ("", ["filler"]), ("ask", [])]


WHOLE = """
order = "big"
[[packet]]
name = "blocks"
direction = "read"
field = [
  { name = "sync", type = "sync", bytes = "A5" },
  { name = "kind", type = "u8", constant = 0x31 },
  { name = "colour", type = "u8", values = { red = 1 } },
  { name = "x", type = "u8", min = 1, max = 200 },
  { name = "length", type = "u8", length_of = "rest", plus = 7 },
  { name = "rest", type = "bytes" },
  { name = "code", type = "check", check = "CRC-8/SMBUS" },
]
"""


@pytest.mark.parametrize("filling", [b"\xff" * 9, b"\x00" * 9])
def test_filling_in_place_of_a_whole_packet_has_no_other_problem(
    transact: Transact, filling: bytes
) -> None:
    packet_set = read_packets(WHOLE, "w.toml")
    damaged = b"\x01" + filling[1:]
    got = names_and_problems(packet_set, transact([("read", filling), ("read", damaged)]))
    assert got[0][1] == ["filler"]
    assert {"sync", "constant", "enum", "range", "length"} <= set(got[1][1])


def test_a_reply_that_never_becomes_whole_ends_with_the_next_request(
    camera: PacketSet, transact: Transact
) -> None:
    rows = [("read", reply_of(camera)[:9]), ("write", ask_of(camera)), ("read", reply_of(camera))]
    got = names_and_problems(camera, transact(rows))
    assert got == [("blocks", ["length", "short"]), ("ask", []), ("blocks", [])]


def test_a_damaged_length_costs_no_good_packet(camera: PacketSet, transact: Transact) -> None:
    bad = bytearray(reply_of(camera, 1))
    bad[3] = 60
    rows = [("read", bytes(bad) + reply_of(camera, 2) + reply_of(camera, 3) * 4)]
    got = names_and_problems(camera, transact(rows))
    assert [name for name, words in got if not words] == ["blocks"] * 5
    assert got[0][0] == "blocks"
    assert "length" in got[0][1]


def test_a_sync_inside_a_right_packet_cuts_nothing(camera: PacketSet, transact: Transact) -> None:
    values = {"sequence": 0xA55A, "blocks": [{**BLOCK, "w": 0xA5, "h": 0x5A}] * 2}
    reply = OneByOne(camera.kind("blocks")).build_one(values)
    got = names_and_problems(camera, transact([("read", reply * 3)]))
    assert got == [("blocks", [])] * 3


def test_junk_between_packets_is_told(camera: PacketSet, transact: Transact) -> None:
    rows = [("read", b"\x01\x02" + reply_of(camera) + b"\xa5" + reply_of(camera) + b"\x5a")]
    got = names_and_problems(camera, transact(rows))
    assert [words for _, words in got] == [["junk"], [], ["junk"], [], ["junk"]]


def test_every_byte_of_a_stream_is_in_one_packet(camera: PacketSet, transact: Transact) -> None:
    stream = (
        b"\x01" * 3000 + reply_of(camera) + b"\xa5\x5a\x31" + b"\x07" * 90 + reply_of(camera)[:8]
    )
    decoder = PacketDecoder(camera, ADDRESS)
    got = joined([decoder.feed(transact([("read", stream)])), decoder.finish()])
    assert got.data.tobytes() == stream


def test_a_nacked_byte_and_a_cut_transaction_are_named(
    camera: PacketSet, transact: Transact
) -> None:
    rows = [("write+nack", ask_of(camera)), ("write+ends-cut", ask_of(camera)[:5])]
    got = names_and_problems(camera, transact(rows))
    assert got == [("ask", ["nack"]), ("ask", ["short", "cut"])]


def test_a_register_map_is_read_by_the_number_last_written(transact: Transact) -> None:
    packet_set = read_packets(REGISTERS, "r.toml")
    rows = [
        ("write+restart", b"\x10"),
        ("read", b"\x01\x02"),
        ("read", b"\x0f\xff"),
        ("write", b"\x11"),
        ("read", b"\xcb"),
        ("write", b"\x11\x02"),
        ("read", b"\x00"),
        ("write", b"\x77"),
    ]
    decoder = PacketDecoder(packet_set, ADDRESS)
    got = decoder.feed(transact(rows))
    assert [(each[0], each[4], each[-1]) for each in told(packet_set, got)] == [
        ("level?", [], "{'register': 16}"),
        ("level", [], "{'level': 25.8}"),
        ("level", ["range"], "{'level': 409.5}"),
        ("status?", [], "{'register': 17}"),
        ("status", [], "{'status': {'ready': 1, 'mode': 'run', 'trim': -4}}"),
        ("set-mode", [], "{'mode': 2}"),
        ("status", [], "{'status': {'ready': 0, 'mode': 'idle', 'trim': 0}}"),
        ("", ["unknown"], "{}"),
    ]


def test_a_pec_covers_the_address_bytes_and_the_register_number(transact: Transact) -> None:
    packet_set = read_packets(PEC, "p.toml")
    rows = [
        ("write+restart", b"\x42"),
        ("read", bytes.fromhex("3412FC")),
        ("write", bytes.fromhex("42172CE7")),
        ("write", bytes.fromhex("42172CE8")),
    ]
    table = transact(rows)
    table.address[:] = 0x54
    got = PacketDecoder(packet_set, 0x54).feed(table)
    assert [(each[0], each[4]) for each in told(packet_set, got)] == [
        ("word?", []),
        ("word", []),
        ("set", []),
        ("set", ["check-code"]),
    ]


def test_the_published_pec_word_is_right(transact: Transact) -> None:
    packet_set = read_packets(PEC.replace("0x42", "0x06"), "p.toml")
    table = transact([("write+restart", b"\x06"), ("read", bytes.fromhex("263A66"))])
    table.address[:] = 0x5A
    got = PacketDecoder(packet_set, 0x5A).feed(table)
    assert got.problems.tolist() == [0, 0]


def test_the_pec_byte_of_a_device_with_pec_is_no_part_of_its_packets(transact: Transact) -> None:
    packet_set = read_packets(REGISTERS, "r.toml")
    rows = [("write+restart", b"\x10"), ("read+pec", b"\x01\x02\x99")]
    got = PacketDecoder(packet_set, ADDRESS, pec=True).feed(transact(rows))
    assert got.bytes_of(1) == b"\x01\x02"
    assert got.problem_words(1) == ["pec"]


def test_checksummed_sentences_are_read_with_any_line_end() -> None:
    packet_set = read_packets(SENTENCES, "s.toml")
    good, high, odd = (sentence(b"CIDR," + rest) for rest in (b"12,34.5", b"13,301", b",x"))
    stream = good + b"\r\n" + high + b"\n$CIDR,1,2*00\r" + good[:9] + b"\n" + odd + b"\n\n" + good
    got = serial(packet_set, stream, [])
    values = [tuple(fields.values())[2:] for fields in fields_of(got, packet_set)]
    words = [got.problem_words(row) for row in range(len(got))]
    assert list(zip(words, values, strict=True)) == [
        ([], (12.0, 34.5, int(good[-2:], 16))),
        (["range"], (13.0, 301.0, int(high[-2:], 16))),
        (["check-code"], (1.0, 2.0, 0)),
        (["short"], (12.0, None)),
        (["text"], (None, None, int(odd[-2:], 16))),
        ([], (12.0, 34.5, int(good[-2:], 16))),
    ]


def test_an_endless_line_is_cut_and_not_kept() -> None:
    packet_set = read_packets(SENTENCES, "s.toml")
    got = serial(packet_set, b"x" * 10_000 + b"\n", [3000, 6000])
    assert np.diff(got.first).tolist() == [4096, 4096, 1808]


def test_bytes_without_framing_are_a_callers_mistake() -> None:
    none = np.zeros(0, np.int64)
    with pytest.raises(ValueError, match="framing must be stream or lines"):
        PacketDecoder(read_packets(PEC, "p.toml")).feed_bytes(none, none, np.zeros(0, np.uint8))

"""One packet: explained field by field, and built."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.packets.bulk import read_rows
from decoders.packets.layout import PROBLEMS, PacketSet
from decoders.packets.one import OneByOne
from decoders.packets.resolve import read_packets

BLOCK = {"colour": "red", "x": 10, "y": 20, "w": 3, "h": 4}


def test_building_fills_in_syncs_constants_lengths_and_check_codes(camera: PacketSet) -> None:
    built = OneByOne(camera.kind("ask")).build_one({"colours": 7, "most": 4})
    assert built.hex(" ") == "a5 5a 30 02 07 04 00 0b"


def test_building_counts_items(camera: PacketSet) -> None:
    built = OneByOne(camera.kind("blocks")).build_one({"sequence": 0x0102, "blocks": [BLOCK] * 2})
    # sync, kind, 2 + 2 * 7 bytes, sequence, two blocks, sum of 3 + 2 * 38 = 79 = 4F
    assert built.hex(" ") == ("a5 5a 31 10 01 02 01 00 0a 00 14 03 04 01 00 0a 00 14 03 04 00 4f")


def test_a_given_length_or_sum_is_sent_as_given_right_or_wrong(camera: PacketSet) -> None:
    values = {"colours": 7, "most": 4, "length": 9, "sum": 0xBEEF, "kind": 1}
    built = OneByOne(camera.kind("ask")).build_one(values)
    assert built.hex(" ") == "a5 5a 01 09 07 04 be ef"


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"colours": 7}, "no value for 'most'"),
        ({"colours": 7, "most": 300}, "'most' cannot be 300"),
        ({"colours": 7, "most": 3, "colour": 1}, "no field named 'colour' in 'ask'"),
    ],
)
def test_what_cannot_be_built_is_a_callers_mistake(
    camera: PacketSet, values: dict[str, int], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        OneByOne(camera.kind("ask")).build_one(values)


def test_every_field_is_explained_with_its_place(camera: PacketSet) -> None:
    one = OneByOne(camera.kind("blocks"))
    data = bytearray(one.build_one({"sequence": 5, "blocks": [BLOCK, BLOCK]}))
    data[14] = 0xFF
    read = one.read(bytes(data))
    by_path = {place.path: place for place in read.places}
    x = by_path["blocks.1.x"]
    assert (x.begin, x.end, x.value, x.problems) == (14, 16, 0xFF0A, ["range"])
    assert x.number is not None
    assert (x.number.unit, x.number.high) == ("px", 319)
    total = by_path["sum"]
    assert (total.value, total.computed, total.problems) == (0x51, 0x51 + 0xFF, ["check-code"])
    assert read.problems == ["check-code", "range"]


def test_scaled_values_names_and_bits_go_back_to_what_is_sent() -> None:
    text = """
order = "little"
[[packet]]
name = "p"
[[packet.field]]
name = "heat"
type = "i16"
scale = 0.01
offset = -40
unit = "degC"
[[packet.field]]
name = "state"
type = "u8"
bits = [
  { name = "mode", at = 0, width = 3, values = { idle = 0, run = 5 } },
  { name = "trim", at = 4, width = 4, signed = true },
]
[[packet.field]]
name = "wide"
type = "u24"
"""
    one = OneByOne(read_packets(text, "p.toml").kinds[0])
    values = {"heat": -12.34, "state": {"mode": "run", "trim": -3}, "wide": 0x010203}
    built = one.build_one(values)
    assert built.hex(" ") == "ce 0a d5 03 02 01"  # 2766 = (-12.34 + 40) / 0.01
    assert one.parse_one(built) == values


def test_bits_of_a_signed_integer_may_fill_its_sign() -> None:
    text = """
[[packet]]
name = "p"
[[packet.field]]
name = "state"
type = "i16"
order = "big"
bits = [{ name = "low", at = 0, width = 12 }, { name = "high", at = 12, width = 4 }]
"""
    one = OneByOne(read_packets(text, "p.toml").kinds[0])
    values = {"state": {"low": 0x234, "high": 0xF}}
    assert one.build_one(values).hex() == "f234"
    assert one.parse_one(bytes.fromhex("f234")) == values


def test_a_crc_by_parameters_is_checked_in_its_byte_order() -> None:
    # Modbus over serial line: 01 03 00 00 00 0A has CRC CDC5, on the wire C5 CD.
    text = """
[[packet]]
name = "ask"
[[packet.field]]
name = "body"
type = "bytes"
length = 6
[[packet.field]]
name = "crc"
type = "check"
check = { width = 16, poly = 0x8005, init = 0xFFFF, refin = true, refout = true }
order = "little"
"""
    one = OneByOne(read_packets(text, "p.toml").kinds[0])
    assert one.build_one({"body": "01030000000a"}).hex(" ") == "01 03 00 00 00 0a c5 cd"
    assert one.read(bytes.fromhex("01030000000ac5cd")).problems == []


# Codes over b"123456789". CRCs: Catalogue of parametrised CRC algorithms. Sums: their definition;
# Fletcher-16 as RFC 1146 describes it.
@pytest.mark.parametrize(
    ("check", "code"),
    [
        ('"sum8"', "dd"),
        ('"sum16"', "01dd"),
        ('"twos-complement"', "23"),
        ('"ones-complement"', "22"),
        ('"xor"', "31"),
        ('"LRC"', "31"),
        ('"fletcher16"', "1ede"),
        ('"CRC-8/SMBUS"', "f4"),
        ('"CRC-16/XMODEM"', "31c3"),
        ('"CRC-24/OPENPGP"', "21cf02"),
        ('"CRC-32"', "cbf43926"),
        ("{ width = 16, poly = 0x1021, init = 0xFFFF }", "29b1"),
        ("{ width = 12, poly = 0x80F, refout = true }", "0daf"),  # CRC-12/UMTS
    ],
)
@pytest.mark.parametrize("order", ["big", "little"])
def test_every_check_code_is_sent_and_read_in_either_byte_order(
    check: str, code: str, order: str
) -> None:
    text = f'''
[[packet]]
name = "p"
field = [
  {{ name = "body", type = "bytes", length = 9 }},
  {{ name = "code", type = "check", check = {check}, order = "{order}" }},
]
'''
    kind = read_packets(text, "p.toml").kinds[0]
    one = OneByOne(kind)
    sent = bytes.fromhex(code)[:: 1 if order == "big" else -1]
    right = b"123456789" + sent
    wrong = b"123456788" + sent
    assert one.build_one({"body": b"123456789".hex()}) == right
    assert [one.read(each).problems for each in (right, wrong)] == [[], ["check-code"]]
    both = np.frombuffer(right + wrong, np.uint8)
    reading = read_rows(kind, both, np.array([0, len(right)]), np.array([len(right), len(both)]))
    rows = [row for part in reading.found.row for row in part.tolist()]
    words = [PROBLEMS[part[0]] for part in reading.found.problem]
    assert (rows, words) == ([1], ["check-code"])


def test_an_nmea_sentence_is_right_by_its_published_sum() -> None:
    # NMEA 0183 example sentence, XOR between "$" and "*"
    text = """
[[packet]]
name = "gll"
field = [
  { name = "start", type = "sync", text = "$" },
  { name = "body", type = "text", until = "*" },
  { name = "sum", type = "check", check = "xor", over = "body", written = "hex" },
]
"""
    one = OneByOne(read_packets(text, "p.toml").kinds[0])
    sentence = b"$GPGLL,4916.45,N,12311.12,W,225444,A*31"
    assert one.read(sentence).problems == []
    assert one.build_one({"body": "GPGLL,4916.45,N,12311.12,W,225444,A"}) == sentence


@pytest.mark.parametrize(
    ("sent", "problems"),
    [(4, ["range"]), (5, []), (9, []), (10, ["range"]), (2, ["range"])],
)
def test_both_ends_of_a_range_are_allowed(sent: int, problems: list[str]) -> None:
    text = '[[packet]]\nname = "p"\nfield = [{ name = "a", type = "u8", min = 5, max = 9 }]\n'
    packet_set = read_packets(text, "p.toml")
    one_row = np.array([0]), np.array([1])
    reading = read_rows(packet_set.kinds[0], np.array([sent], np.uint8), *one_row)
    assert [PROBLEMS[found[0]] for found in reading.found.problem] == problems
    assert OneByOne(packet_set.kinds[0]).read(bytes([sent])).problems == problems

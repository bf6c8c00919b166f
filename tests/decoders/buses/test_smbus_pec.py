"""PEC over messages."""

from __future__ import annotations

from itertools import pairwise

import pytest
from crccheck.crc import Crc8Smbus
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses.i2c import I2cDecoder
from decoders.buses.smbus_pec import PecChecker, with_pec
from decoders.buses.transactions import Transactions, concatenated, problem_bit
from tests.decoders.buses.rows import problems
from tests.decoders.buses.wave import Wave


def table_of(wave: Wave) -> Transactions:
    decoder = I2cDecoder(0, 1)
    return concatenated([decoder.feed(wave.edges())[0], decoder.finish()[0]])


def message(wave: Wave, wire: bytes, address: int) -> Wave:
    """Put a message's wire bytes on the bus: an address byte after the first makes it restart."""
    wave.wait(20_000).start()
    for k, value in enumerate(wire):
        if k == 2 and value == address << 1 | 1:
            wave.start()
        wave.byte(value, ack=k < len(wire) - 1 or not is_read(wire, address))
    return wave.stop()


def is_read(wire: bytes, address: int) -> bool:
    return wire[0] & 1 == 1 or wire[2:3] == bytes([address << 1 | 1])


# Bytes on the wire and their PEC. 7-bit address 0x54: every SMBus protocol, codes computed alike by
# crccheck, fastcrc and anycrc. 0x5A: published in the documentation of the crate smbus-pec 1.0.1.
PROTOCOLS = [
    (0x54, "A8 10", 0xC0),
    (0x54, "A9 5C", 0x36),
    (0x54, "A8 42 17", 0x0D),
    (0x54, "A8 42 17 2C", 0xE7),
    (0x54, "A8 42 A9 7F", 0xC0),
    (0x54, "A8 42 A9 34 12", 0xFC),
    (0x54, "A8 20 03 11 22 33", 0x12),
    (0x54, "A8 20 A9 04 DE AD BE EF", 0x1C),
    (0x54, "A8 30 34 12 A9 78 56", 0x2B),
    (0x54, "A8", 0x51),
    (0x54, "A9", 0x56),
    (0x5A, "B4 06 AB CD", 0x5F),
    (0x5A, "B4 06 B5 26 3A", 0x66),
]


@pytest.mark.parametrize(("address", "wire", "pec"), PROTOCOLS)
def test_pec_of_every_protocol_matches_the_published_one(address: int, wire: str, pec: int) -> None:
    covered = bytes.fromhex(wire)
    assert Crc8Smbus.calc(covered) == pec
    good = table_of(message(Wave(), covered + bytes([pec]), address))
    assert PecChecker([address]).check(good).pec_ok.tolist() == [True]
    assert with_pec(good, [address]) is good


@pytest.mark.parametrize(("address", "wire", "pec"), PROTOCOLS)
def test_a_wrong_pec_is_a_problem_of_the_transaction_that_carries_it(
    address: int, wire: str, pec: int
) -> None:
    bad = table_of(message(Wave(), bytes.fromhex(wire) + bytes([pec ^ 0x10]), address))
    marked = with_pec(bad, [address])
    assert [("pec" in problems(int(bits))) for bits in marked.problems] == (
        [False] * (len(bad) - 1) + [True]
    )
    assert [("pec" in problems(int(bits))) for bits in bad.problems] == [False] * len(bad)


def test_process_call_with_its_restart_later_is_one_message() -> None:
    wave = Wave().start()
    for value in (0xA8, 0x30, 0x34, 0x12):
        wave.byte(value)
    wave.start()
    for value in (0xA9, 0x78, 0x56):
        wave.byte(value)
    wave.byte(0x2B, ack=False).stop()
    assert PecChecker([0x54]).check(table_of(wave)).pec_ok.tolist() == [True]


def test_other_devices_are_not_checked() -> None:
    wave = message(Wave(), bytes.fromhex("A8 42 17 00"), 0x54)
    assert len(PecChecker([0x5A]).check(table_of(wave)).last_row) == 0


def test_messages_that_were_not_whole_are_not_checked() -> None:
    wave = Wave().start().byte(0xA8, ack=False).stop()  # not acknowledged
    wave.wait().start().byte(0xA8).stop()  # no data byte
    wave.wait().start().byte(0xA8).byte(0x10).bit(1).stop()  # cut in a byte
    wave.wait().start().byte(0xA8).byte(0x10)  # no STOP
    assert len(PecChecker([0x54]).check(table_of(wave)).last_row) == 0


def test_ten_bit_messages_cover_both_address_bytes() -> None:
    wire = bytes.fromhex("F4 A5 01")
    pec = Crc8Smbus.calc(wire + b"\xf5\x77")
    wave = Wave().start().byte(0xF4).byte(0xA5).byte(0x01).start().byte(0xF5).byte(0x77)
    wave.byte(pec, ack=False).stop()
    assert PecChecker([0x2A5]).check(table_of(wave)).pec_ok.tolist() == [True]


def test_two_messages_may_share_a_pec() -> None:
    """Send byte A8 10 and read byte A8 42 A9 7F both have C0: an equal code proves nothing."""
    send, read = bytes.fromhex("A8 10"), bytes.fromhex("A8 42 A9 7F")
    assert Crc8Smbus.calc(send) == Crc8Smbus.calc(read) == 0xC0
    wave = message(message(Wave(), send + b"\xc0", 0x54), read + b"\xc0", 0x54)
    assert PecChecker([0x54]).check(table_of(wave)).pec_ok.tolist() == [True, True]


# A message: its writes and reads (R/W, bytes, whether the address is acknowledged), what is wrong
# with its PEC, its address, and whether it has a STOP.
PART = st.tuples(st.booleans(), st.binary(max_size=3), st.sampled_from([True, True, True, False]))
PARTS = st.lists(PART, min_size=1, max_size=3)
MESSAGES = st.lists(
    st.tuples(
        PARTS, st.sampled_from([0, 0, 1]), st.sampled_from([0x54, 0x54, 0x2A]), st.booleans()
    ),
    min_size=1,
    max_size=6,
)

Message = tuple[list[tuple[bool, bytes, bool]], int, int, bool]


def wave_of(messages: list[Message]) -> Wave:
    wave = Wave()
    for parts, wrong, address, stops in messages:
        wire = b""
        wave.wait(20_000)
        for number, (read, data, acked) in enumerate(parts):
            wave.start().byte(address << 1 | read, ack=acked)
            wire += bytes([address << 1 | read]) + data
            if number == len(parts) - 1:
                data += bytes([Crc8Smbus.calc(wire) ^ wrong])
            for value in data:
                wave.byte(value)
        if stops:
            wave.stop()
    return wave if messages[-1][3] else wave.stop()


@settings(max_examples=60, deadline=None)
@given(messages=MESSAGES, cuts=st.lists(st.integers(0, 18), max_size=6))
def test_checks_do_not_depend_on_how_the_rows_are_cut(
    messages: list[Message], cuts: list[int]
) -> None:
    whole = table_of(wave_of(messages))
    marked = with_pec(whole, [0x54]).problems.tolist()
    for places in (cuts, range(len(whole))):
        checker = PecChecker([0x54])
        edges = [0, *sorted(min(cut, len(whole)) for cut in places), len(whole)]
        parts = [checker.feed(rows_between(whole, a, b)) for a, b in pairwise(edges)]
        assert concatenated(parts).problems.tolist() == marked


def test_only_whole_messages_with_a_wrong_code_are_marked() -> None:
    messages: list[Message] = [
        ([(False, b"\x42", True), (True, b"\x07", acked)], wrong, 0x54, True)
        for wrong, acked in ((0, True), (1, True), (1, False), (1, True))
    ]
    messages[-1][0][0] = (False, b"\x42", False)
    whole, checker = table_of(wave_of(messages)), PecChecker([0x54])
    row_by_row = [checker.feed(rows_between(whole, k, k + 1)) for k in range(len(whole))]
    for marked in (with_pec(whole, [0x54]), concatenated(row_by_row)):
        wrong = [bool(bits & problem_bit("pec")) for bits in marked.problems.tolist()]
        assert wrong == [False, False, False, True, False, False, False, False]


def rows_between(table: Transactions, a: int, b: int) -> Transactions:
    part = slice(int(table.first[a]), int(table.first[b]))
    columns = {name: getattr(table, name)[a:b] for name in table.__slots__}
    columns |= {"first": table.first[a : b + 1] - part.start}
    columns |= {"data": table.data[part], "acked": table.acked[part]}
    return Transactions(**columns)

"""The sheet of a transaction: acknowledges in words, beside the last good one like it."""

from __future__ import annotations

import pytest

from console.timeline.sheet.lines import Change, CheckCode, RawBytes, Words
from console.timeline.sheet.transaction import ack_words
from console.timeline.sheet.wire_lines import clock_words, wire_lines
from tests.console.timeline.sheet.benches import bench_of, field, of_kind, run_of, sheet_of
from tests.console.watch.runs import nack, table, transaction


@pytest.mark.parametrize(
    ("acks", "is_read", "expected"),
    [
        ("A", False, "yes"),
        ("AAA", False, "all 3"),
        ("AAN", False, "AAN"),
        ("AAN", True, "all, NACK ends it"),
        ("N", True, "NACK ends it"),
        ("AAA", True, "all 3"),
        ("A" * 40 + "N" + "A" * 1000, False, "1 of 1,041 not, first byte 40"),
    ],
)
def test_acknowledges_are_told_in_words(acks: str, is_read: bool, expected: str) -> None:
    assert ack_words(acks, is_read=is_read) == expected


def test_a_refused_address_is_lit_beside_the_last_that_was_not() -> None:
    tables = {
        "transactions": table("transactions", [transaction(0, data="a55a", acks="AA"), nack(10**9)])
    }
    sheet = sheet_of(tables, "transactions", 1, bench_of(None))
    assert (sheet.title, sheet.problems) == ("write to camera", ("address not acknowledged",))
    assert sheet.compared == "beside the last good one, 1 s before"
    line = field(sheet, "address ack")
    assert (line.value, line.was, line.change) == (
        "NOT acknowledged",
        "acknowledged",
        Change.DIFFERS,
    )
    assert of_kind(sheet, RawBytes) == [RawBytes(b"\xa5\x5a", (), 2)]


def test_the_bytes_are_compared_with_one_of_the_same_length_class() -> None:
    rows = [
        transaction(0, data="0102", acks="AA"),
        transaction(10, data="010203040506", acks="AAAAAA"),
        transaction(20, data="0103", acks="AA"),
    ]
    sheet = sheet_of({"transactions": table("transactions", rows)}, "transactions", 2)
    (raw,) = of_kind(sheet, RawBytes)
    assert raw.changes == (Change.SAME, Change.DIFFERS)


def test_other_addresses_and_directions_are_not_compared_with() -> None:
    rows = [transaction(0, 0x2F), transaction(10, read=True), transaction(20)]
    sheet = sheet_of({"transactions": table("transactions", rows)}, "transactions", 2)
    assert sheet.compared == "no good write 2E before it to compare with"


def test_an_address_of_nobody_says_what_it_is_reserved_for() -> None:
    # UM10204 table 4: 1111 0XX is 10-bit addressing
    row = transaction(0, 0x78)
    sheet = sheet_of({"transactions": table("transactions", [row])}, "transactions", 0)
    assert field(sheet, "address").value == "78 reserved: 10-bit addressing"
    assert sheet.title == "write to 78 on i2c-1"


def test_a_transaction_cut_before_its_address_says_so() -> None:
    row = transaction(0, started_by="cut", problems=["begins-cut"])
    row |= {"address": None, "read": None, "address_acked": None, "data": "", "acks": ""}
    sheet = sheet_of({"transactions": table("transactions", [row])}, "transactions", 0)
    assert sheet.title == "cut transaction on i2c-1"
    assert of_kind(sheet, Words)[0].text == "cut before its address was complete"
    assert field(sheet, "clock").value == "cannot say"


def test_the_mean_clock_counts_nine_clocks_a_byte() -> None:
    # UM10204 section 3.1.5: 8 bits and an acknowledge; 4 bytes with the address in 360 us
    row = transaction(0, data="010203", acks="AAA", end_ns=360_000)
    assert clock_words(row) == "mean 100 kHz"


def test_a_wrong_packet_error_code_is_shown_beside_the_right_one() -> None:
    # CRC-8/SMBUS over 5D 01 02, see test_wire
    run = run_of([("read", b"\x01\x02\x00")], None, pec=True)
    sheet = sheet_of(run.tables, "transactions", 0, bench_of(None, pec=True))
    (code,) = of_kind(sheet, CheckCode)
    assert (code.received, code.is_right) == ("00", False)
    assert "pec" in sheet.problems


def test_what_is_under_a_packet_is_told_for_a_few_transactions() -> None:
    run = run_of([("read", b"\x01\x02")] * 9, None)
    lines = wire_lines(run, range(9))
    assert len(lines) == 1 + 3 * 4 + 1

"""Addresses of 7 and 10 bits and reserved ones (UM10204 Rev. 7.0 3.1.10 to 3.1.17, table 4)."""

from __future__ import annotations

import pytest

from tests.decoders.buses.rows import rows_of
from tests.decoders.buses.wave import Wave


def test_ten_bit_write_has_two_address_bytes() -> None:
    """Address 0x2A5 is written as F4 A5."""
    (row,) = rows_of(Wave().start().byte(0xF4).byte(0xA5).byte(0x33).stop())
    assert (row.address, row.address_bits, row.read, row.values) == (0x2A5, 10, False, b"\x33")


def test_ten_bit_read_takes_its_address_from_the_write_before_it() -> None:
    """Address 0x2A5 is read as F4 A5, repeated START, F5."""
    wave = Wave().start().byte(0xF4).byte(0xA5).start().byte(0xF5).byte(0x77, ack=False).stop()
    write, read = rows_of(wave)
    assert (write.address, write.data, write.problems) == (0x2A5, (), ())
    assert (read.address, read.address_bits, read.read, read.data) == (
        *(0x2A5, 10, True, ((0x77, False),)),
    )


def test_second_ten_bit_read_in_a_row_keeps_the_address() -> None:
    wave = Wave().start().byte(0xF4).byte(0xA5)
    for _ in range(2):
        wave.start().byte(0xF5).byte(0x77, ack=False)
    assert [row.address for row in rows_of(wave.stop())] == [0x2A5] * 3


@pytest.mark.parametrize("between", ["stop", "other target", "other top bits"])
def test_ten_bit_read_without_its_write_has_no_address(between: str) -> None:
    wave = Wave().start().byte(0xF4).byte(0xA5)
    if between == "stop":
        wave.stop()
    if between == "other target":
        wave.start().byte(0x5C)
    wave.start().byte(0xF3 if between == "other top bits" else 0xF5).byte(1, ack=False).stop()
    last = rows_of(wave)[-1]
    assert (last.address, last.address_bits, last.read) == (-1, 10, True)


def test_ten_bit_address_cut_before_its_second_byte_is_unknown() -> None:
    (row,) = rows_of(Wave().start().byte(0xF4).bit(1).stop())
    assert (row.address, row.address_bits, row.address_acked) == (-1, 10, False)


def test_nack_of_the_second_ten_bit_byte_is_an_address_nack() -> None:
    (row,) = rows_of(Wave().start().byte(0xF4).byte(0xA5, ack=False).stop())
    assert (row.address, row.address_acked, row.problems) == (0x2A5, False, ("address-nack",))


# UM10204 table 4: first byte, and whether its use is out of the ordinary. General call, START byte
# and 10-bit addresses (F0 to F7, tested above) are read as what they are for.
@pytest.mark.parametrize(
    ("byte", "remarkable"),
    [
        *((0x00, False), (0x02, True), (0x03, True), (0x04, True), (0x05, True), (0x06, True)),
        *((byte, True) for byte in range(0x07, 0x10)),
        *((0x10, False), (0x11, False), (0xEE, False), (0xEF, False)),
        *((byte, True) for byte in range(0xF8, 0x100)),
    ],
)
def test_use_of_a_reserved_address_is_remarked(byte: int, remarkable: bool) -> None:
    (row,) = rows_of(Wave().start().byte(byte).byte(0x55, ack=not byte & 1).stop())
    assert (row.address, row.address_bits) == (byte >> 1, 7)
    assert row.problems == (("reserved-address",) if remarkable else ())


@pytest.mark.parametrize(
    ("second", "problems"),
    [(0x06, ()), (0x04, ()), (0x00, ("reserved-address",)), (0xA9, ()), (0x42, ())],
)
def test_general_call_is_a_write_to_address_zero(second: int, problems: tuple[str, ...]) -> None:
    """UM10204 section 3.1.13: the second byte must not be 00."""
    (row,) = rows_of(Wave().start().byte(0x00).byte(second).byte(0x00).stop())
    assert (row.address, row.read, row.values) == (0, False, bytes([second, 0]))
    assert row.problems == problems


def test_ten_bit_address_zero_is_no_general_call() -> None:
    (row,) = rows_of(Wave().start().byte(0xF0).byte(0x00).byte(0x00).stop())
    assert (row.address, row.address_bits, row.values, row.problems) == (0, 10, b"\x00", ())


def test_start_byte_is_not_acknowledged_and_that_is_no_problem() -> None:
    """UM10204 section 3.1.15."""
    first, second = rows_of(Wave().start().byte(0x01, ack=False).transaction(0x2E, b"\x01").stop())
    assert (first.address, first.read, first.problems) == (0, True, ())
    assert (second.started_by, second.address) == ("restart", 0x2E)


def test_acknowledged_start_byte_is_a_problem() -> None:
    first, _ = rows_of(Wave().start().byte(0x01).transaction(0x2E, b"\x01").stop())
    assert first.problems == ("reserved-address",)


def test_device_id_is_read_through_its_reserved_address() -> None:
    """UM10204 section 3.1.17: F8, target address, repeated START, F9, three bytes."""
    wave = Wave().start().byte(0xF8).byte(0x5C).start().byte(0xF9)
    wave.byte(1).byte(2).byte(3, ack=False).stop()
    write, read = rows_of(wave)
    assert (write.values, read.values) == (b"\x5c", b"\x01\x02\x03")

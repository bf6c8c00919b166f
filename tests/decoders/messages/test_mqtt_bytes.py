from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.messages.mqtt_bytes import MalformedError, Reader, Varint, varint_at


# MQTT 3.1.1 table 2.4 and 5.0 table 1-1: the borders of each length; 64 and 321 of section 2.2.3.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("00", 0),
        ("7F", 127),
        ("8001", 128),
        ("FF7F", 16_383),
        ("808001", 16_384),
        ("FFFF7F", 2_097_151),
        ("80808001", 2_097_152),
        ("FFFFFF7F", 268_435_455),
        ("40", 64),
        ("C102", 321),
    ],
)
def test_the_remaining_length_has_the_values_of_the_standard(text: str, value: int) -> None:
    raw = bytes.fromhex(text)
    assert varint_at(raw, 0) == Varint(value, len(raw), True)
    assert varint_at(raw[:-1], 0) is None


@pytest.mark.parametrize("text", ["FFFFFFFF", "8080808001"])
def test_a_remaining_length_of_more_than_four_bytes_is_malformed(text: str) -> None:
    with pytest.raises(MalformedError, match=r"MQTT 3.1.1 section 2.2.3"):
        varint_at(bytes.fromhex(text), 0)


def test_a_longer_form_than_needed_is_told() -> None:
    assert varint_at(b"\x80\x00", 0) == Varint(0, 2, False)


@settings(deadline=None)
@given(value=st.integers(0, 268_435_455), before=st.binary(max_size=3), after=st.binary(max_size=3))
def test_a_length_is_read_wherever_it_stands(value: int, before: bytes, after: bytes) -> None:
    written, left = bytearray(), value
    while not written or left:  # the encoding of MQTT 5.0 section 1.5.5
        left, low = left >> 7, left & 0x7F
        written.append(low | 0x80 * bool(left))
    end = len(before) + len(written)
    assert varint_at(before + bytes(written) + after, len(before)) == Varint(value, end, True)


def test_values_are_taken_one_after_another() -> None:
    reader = Reader(b"\x01\x02\x03\0\0\x01\x00\xc1\x02\0\x03a/b\0\x02\xff\xfe", 5)
    taken = reader.byte(), reader.u16(), reader.u32(), reader.varint(), reader.text()
    assert taken == (1, 0x0203, 0x100, 321, "a/b")
    assert (reader.binary(), reader.left) == (b"\xff\xfe", 0)
    reader.done()


@pytest.mark.parametrize(
    ("version", "section"),
    [(4, "MQTT 3.1.1 section 2.2.3"), (5, "MQTT 5.0 section 2.1.4")],
)
def test_a_body_too_short_or_too_long_is_told_by_the_section_of_its_version(
    version: int, section: str
) -> None:
    short, long = Reader(b"\0\x03ab", version), Reader(b"\0", version)
    with pytest.raises(MalformedError) as too_short:
        short.text()
    with pytest.raises(MalformedError) as too_long:
        long.done()
    assert (too_short.value.clause, too_long.value.clause) == (section, section)
    assert too_long.value.what == "1 bytes more than it has fields for"


def test_what_is_malformed_is_told_without_its_text() -> None:
    with pytest.raises(MalformedError) as caught:
        Reader(b"\0\x05hush\xff", 4).text()
    assert str(caught.value) == "[MQTT-1.5.3-1] a string that is not UTF-8"


def test_a_number_of_5_0_must_be_in_its_shortest_form() -> None:
    with pytest.raises(MalformedError, match=r"MQTT-1\.5\.5-1"):
        Reader(b"\x80\x00", 5).varint()


def test_a_reader_does_not_go_beyond_its_end() -> None:
    reader = Reader(b"\x81\x01", 5, end=1)
    with pytest.raises(MalformedError, match="too short"):
        reader.varint()

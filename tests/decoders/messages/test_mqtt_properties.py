"""The table of properties against paho-mqtt's, and the rules of section 2.2.2."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties as PahoProperties

from decoders.messages.mqtt_bytes import MalformedError, Reader
from decoders.messages.mqtt_properties import PROPERTIES, WILL, Type, number, properties, text
from decoders.messages.mqtt_words import AUTH, CONNACK, CONNECT, PUBLISH, SUBSCRIBE

PAHO = PahoProperties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
PAHO_TYPES = {
    "Byte": Type.BYTE,
    "Two Byte Integer": Type.U16,
    "Four Byte Integer": Type.U32,
    "Variable Byte Integer": Type.VARINT,
    "Binary Data": Type.BINARY,
    "UTF-8 Encoded String": Type.TEXT,
    "UTF-8 String Pair": Type.PAIR,
}


def read(raw: bytes, packet: int) -> dict[int, object]:
    reader = Reader(bytes([len(raw)]) + raw + b"behind", 5)
    found = properties(reader, packet)
    assert reader.take(reader.left) == b"behind"
    return dict(found)


def test_there_are_the_properties_of_the_standard() -> None:
    names = {known.name.lower(): code for code, known in PROPERTIES.items()}
    assert names == {name.lower(): code for name, code in PAHO.names.items()}


@pytest.mark.parametrize("code", sorted(PROPERTIES))
def test_each_has_the_type_and_the_packets_of_the_standard(code: int) -> None:
    kind, packets = PAHO.properties[code]
    places = {WILL if packet == PacketTypes.WILLMESSAGE else packet for packet in packets}
    assert PROPERTIES[code].type is PAHO_TYPES[PAHO.types[kind]]
    assert set(PROPERTIES[code].packets) == places


@settings(deadline=None)
@given(seconds=st.integers(0, 2**32 - 1), most=st.integers(1, 0xFFFF), pair=st.text("ab:é"))
def test_what_paho_packs_is_read_again(seconds: int, most: int, pair: str) -> None:
    packed = PahoProperties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    packed.SessionExpiryInterval, packed.ReceiveMaximum = seconds, most
    packed.UserProperty = ("line", pair)
    reader = Reader(packed.pack(), 5)  # type: ignore[no-untyped-call]
    assert properties(reader, CONNECT) == {0x11: seconds, 0x21: most, 0x26: ("line", pair)}
    assert reader.left == 0


def test_one_that_stands_twice_is_malformed_but_for_those_that_may() -> None:
    alias, user, subscription = b"\x23\0\x01", b"\x26\0\x01a\0\x01", b"\x0b\x01"
    assert read(user + b"1" + user + b"2", PUBLISH) == {0x26: ("a", "2")}
    assert read(subscription + b"\x0b\x02", PUBLISH) == {0x0B: 2}
    for raw, packet in ((alias * 2, PUBLISH), (subscription * 2, SUBSCRIBE)):
        with pytest.raises(MalformedError, match="stands twice"):
            read(raw, packet)


@pytest.mark.parametrize(("raw", "packet"), [(b"\x23\0\x01", CONNECT), (b"\x7f\0", PUBLISH)])
def test_one_that_has_no_place_in_a_packet_is_malformed(raw: bytes, packet: int) -> None:
    with pytest.raises(MalformedError, match=f"0x{raw[0]:02X} has no place in it"):
        read(raw, packet)


def test_a_length_beyond_the_packet_and_a_value_beyond_the_length_are_malformed() -> None:
    with pytest.raises(MalformedError) as beyond:
        properties(Reader(b"\x09\x23\0\x01", 5), PUBLISH)
    with pytest.raises(MalformedError) as cut:
        properties(Reader(b"\x02\x23\0\x01", 5), PUBLISH)
    assert beyond.value.clause == "MQTT 5.0 section 2.2.2.1"
    assert cut.value.clause == "MQTT 5.0 section 2.1.4"


def test_authentication_data_is_passed_over() -> None:
    raw = b"\x15\0\x04DUCK\x16\0\x04hush"
    assert read(raw, AUTH) == {0x15: "DUCK", 0x16: b""}


def test_values_that_were_left_out_have_their_default() -> None:
    found = read(b"\x13\0\x1e", CONNACK)
    assert found == {0x13: 30}
    assert (number({0x13: 30}, 0x13, 60), number({}, 0x13, 60), text({}, 0x12)) == (30, 60, "")

from __future__ import annotations

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from console.sources.broker_properties import in_text


def unpacked(packed: str) -> Properties:
    """Properties of a PUBLISH from their bytes, the length in front."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.unpack(bytes.fromhex(packed))  # type: ignore[no-untyped-call]
    return properties


def test_no_properties_are_no_text() -> None:
    assert in_text(None) == {}
    assert in_text(unpacked("00")) == {}


def test_every_property_of_a_message_is_told_in_the_standards_words() -> None:
    # MQTT 5.0 section 2.2.2.2: identifiers and types
    packed = "2D 0101 02 0000001E 23 0007 08 0003612F62 09 00020AFF 0B 2A 03 000474657874"
    rest = "26 00046C696E65 000133"
    length = len(bytes.fromhex(packed + rest)) - 1
    assert in_text(unpacked(f"{length:02X}" + packed[2:] + rest)) == {
        "payload format indicator": "1",
        "message expiry interval": "30",
        "topic alias": "7",
        "response topic": "a/b",
        "correlation data": "0aff",
        "subscription identifier": "42",
        "content type": "text",
        "user line": "3",
    }


def test_a_user_property_that_comes_twice_keeps_both_values_in_order() -> None:
    # MQTT 5.0 section 3.3.2.3.7: the same name may appear more than once
    assert in_text(unpacked("12 26 00016B 000161 26 00016B 000162 0B 05 0B 06")) == {
        "subscription identifier": "5 6",
        "user k": "a\nb",
    }

from __future__ import annotations

import pytest

from decoders.messages.mqtt_bytes import MalformedError, Reader
from decoders.messages.mqtt_connect import Connack, Will, connack, connect, looks_connect
from tests.decoders.messages.mqtt_made import connect as connect_packet
from tests.decoders.messages.mqtt_made import text


def test_a_connect_is_told_by_as_much_of_it_as_there_is() -> None:
    whole = connect_packet()
    assert all(looks_connect(whole[:k]) for k in range(1, len(whole)))
    assert looks_connect(b"\x10\xff\x01\x00\x06MQIsdp")
    assert not looks_connect(b"")
    assert not looks_connect(b"\x10\x16\x00\x04HTTP")
    assert not looks_connect(b"GET / HTTP/1.1")


@pytest.mark.parametrize(
    ("version", "clean", "expiry", "keeps"),
    [
        (3, True, 0, False),
        (4, True, 0, False),
        (4, False, 0, True),  # MQTT 3.1.1 section 3.1.2.4
        (5, True, 0, False),  # MQTT 5.0 section 3.1.2.11.2: it ends with the connection
        (5, False, 0, False),
        (5, True, 60, True),
    ],
)
def test_whether_a_session_outlives_the_connection_is_as_its_version_has_it(
    version: int, clean: bool, expiry: int, keeps: bool
) -> None:
    name = text("MQIsdp" if version == 3 else "MQTT")
    body = name + bytes([version, clean << 1]) + b"\0\x3c"
    body += b"\x05\x11" + expiry.to_bytes(4, "big") if version == 5 else b""
    found = connect(Reader(body + text("capline-01"), 4))
    assert (found.version, found.keep_alive_s, found.keeps_session) == (version, 60, keeps)


def test_the_top_bit_of_the_level_marks_a_bridge_and_changes_nothing() -> None:
    found = connect(Reader(text("MQTT") + b"\x84\x02\0\0" + text("bridge-1"), 4))
    assert (found.version, found.client) == (4, "bridge-1")


def test_what_it_logs_in_with_is_not_kept() -> None:
    flags = 0x80 | 0x40 | 0x26  # user, password, will retained, clean
    body = text("MQTT") + bytes([4, flags, 0, 0]) + text("capline-01")
    body += text("capline/status") + text("offline") + text("operator") + text("hush hush")
    found = connect(Reader(body, 4))
    assert (found.has_user, found.has_password) == (True, True)
    assert found.will == Will("capline/status", 0, True)
    assert "operator" not in repr(found)
    assert "hush" not in repr(found)


def test_a_broker_may_ask_for_another_keep_alive_and_assign_an_identifier() -> None:
    told = b"\x13\0\x1e" + b"\x12" + text("auto-1")
    found = connack(Reader(b"\0\0" + bytes([len(told)]) + told, 5))
    assert found == Connack(0, False, 30, "auto-1")


def test_a_refusal_may_come_without_properties_in_5_0() -> None:
    assert connack(Reader(b"\0\x84", 5)) == Connack(0x84, False)


def test_bytes_behind_the_last_field_are_malformed() -> None:
    with pytest.raises(MalformedError, match="1 bytes more"):
        connect(Reader(text("MQTT") + b"\x04\x02\0\0" + text("a") + b"?", 4))

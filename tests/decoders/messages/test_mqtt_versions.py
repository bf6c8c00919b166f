from __future__ import annotations

import pytest

from decoders.messages.mqtt_versions import told_version
from tests.decoders.messages.mqtt_made import (
    DISCONNECT,
    PINGREQ,
    PINGRESP,
    PUBACK,
    SUBACK,
    ack,
    made,
    publish,
    subscribe,
)

NO_PROPERTIES = b""
AUTH = b"\xf0\0"


def told(raw: bytes, *, from_client: bool = True) -> int | None:
    return told_version(raw[0], raw[2:], from_client=from_client)


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (publish("a/b", b'{"n": 1}'), 4),  # 5.0 would read 0x7B as a Property Length beyond its end
        (publish("a/b", b'{"n": 1}', properties=NO_PROPERTIES), 5),
        (publish("a/b", b"1", qos=1, packet_id=7, properties=b"\x23\0\x01"), 5),
        (subscribe(), 4),
        (made(0x82, b"\0\x01\0\0\x01a\x01"), 5),
        (ack(PUBACK, 7, 0x10), 5),
        (AUTH, 5),
        (publish("", b"1"), None),  # of neither
    ],
)
def test_a_packet_that_only_one_version_can_read_tells_it(raw: bytes, expected: int | None) -> None:
    assert told(raw) == expected


def test_a_packet_that_both_can_read_is_taken_for_5_0() -> None:
    assert told(publish("a/b", b"\0")) == 5


@pytest.mark.parametrize("raw", [PINGREQ, ack(PUBACK, 7)])
def test_what_looks_alike_in_both_tells_nothing(raw: bytes) -> None:
    assert told(raw) is None


def test_the_side_that_sends_counts() -> None:
    assert told(PINGRESP, from_client=False) is None
    assert told(ack(SUBACK, 1, 1), from_client=False) == 4  # 5.0 has properties before the codes
    assert told(DISCONNECT, from_client=False) == 5  # a broker of 3.1.1 sends none

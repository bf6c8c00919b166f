"""The words of the standards against those of paho-mqtt."""

from __future__ import annotations

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from decoders.messages.mqtt_words import (
    FAILURE,
    FAILURE_CODES,
    NAMES,
    SUCCESS_CODES,
    reason,
    return_code,
)

PAHO = ReasonCode(PacketTypes.PUBACK).names
# MQTT 5.0 table 2-6, where paho has other words.
OF_THE_TABLE = {
    0x11: "No subscription existed",
    0x9E: "Shared Subscriptions not supported",
    0xA2: "Wildcard Subscriptions not supported",
}


def test_packet_types_have_the_numbers_of_the_standard() -> None:
    numbers = {name: getattr(PacketTypes, name) for name in NAMES[1:]}
    assert numbers == {name: code for code, name in enumerate(NAMES) if code}


def test_there_are_the_reason_codes_of_the_standard() -> None:
    assert {*SUCCESS_CODES, *FAILURE_CODES} == set(PAHO)
    assert max(SUCCESS_CODES) < FAILURE == min(FAILURE_CODES)


@pytest.mark.parametrize("code", sorted(PAHO))
def test_reason_codes_are_told_in_the_words_of_the_standard(code: int) -> None:
    words = {**SUCCESS_CODES, **FAILURE_CODES}[code]
    names = [OF_THE_TABLE[code]] if code in OF_THE_TABLE else PAHO[code]
    assert words.lower() in {name.lower() for name in names}


def test_codes_that_are_not_known_are_told_as_numbers() -> None:
    assert reason(0x97) == "quota exceeded (0x97)"
    assert reason(0x50) == "unknown reason (0x50)"
    assert return_code(5, 4) == "not authorized (5)"
    assert return_code(9, 4) == "unknown return code (9)"
    assert return_code(0x87, 5) == "not authorized (0x87)"
    assert (return_code(0, 4), return_code(0, 5)) == ("accepted", "accepted")

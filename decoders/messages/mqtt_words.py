"""What MQTT's numbers mean, in the words of the standards (MQTT 3.1.1 and 5.0)."""

from __future__ import annotations

CONNECT, CONNACK, PUBLISH, PUBACK, PUBREC, PUBREL, PUBCOMP = 1, 2, 3, 4, 5, 6, 7
SUBSCRIBE, SUBACK, UNSUBSCRIBE, UNSUBACK = 8, 9, 10, 11
PINGREQ, PINGRESP, DISCONNECT, AUTH = 12, 13, 14, 15

NAMES = (
    "reserved packet type 0", "CONNECT", "CONNACK", "PUBLISH", "PUBACK", "PUBREC", "PUBREL",
    "PUBCOMP", "SUBSCRIBE", "SUBACK", "UNSUBSCRIBE", "UNSUBACK", "PINGREQ", "PINGRESP",
    "DISCONNECT", "AUTH",
)  # fmt: skip

VERSIONS = {3: "MQTT 3.1", 4: "MQTT 3.1.1", 5: "MQTT 5.0"}  # by protocol level

RETURN_CODES = {  # MQTT 3.1.1 table 3.1
    0: "accepted",
    1: "protocol version not acceptable",
    2: "identifier rejected",
    3: "server unavailable",
    4: "bad user name or password",
    5: "not authorized",
}

SUCCESS_CODES = {  # MQTT 5.0 section 2.4, below 0x80
    0x00: "success",
    0x01: "granted QoS 1",
    0x02: "granted QoS 2",
    0x04: "disconnect with will message",
    0x10: "no matching subscribers",
    0x11: "no subscription existed",
    0x18: "continue authentication",
    0x19: "re-authenticate",
}
FAILURE_CODES = {  # MQTT 5.0 section 2.4, 0x80 and above
    0x80: "unspecified error",
    0x81: "malformed packet",
    0x82: "protocol error",
    0x83: "implementation specific error",
    0x84: "unsupported protocol version",
    0x85: "client identifier not valid",
    0x86: "bad user name or password",
    0x87: "not authorized",
    0x88: "server unavailable",
    0x89: "server busy",
    0x8A: "banned",
    0x8B: "server shutting down",
    0x8C: "bad authentication method",
    0x8D: "keep alive timeout",
    0x8E: "session taken over",
    0x8F: "topic filter invalid",
    0x90: "topic name invalid",
    0x91: "packet identifier in use",
    0x92: "packet identifier not found",
    0x93: "receive maximum exceeded",
    0x94: "topic alias invalid",
    0x95: "packet too large",
    0x96: "message rate too high",
    0x97: "quota exceeded",
    0x98: "administrative action",
    0x99: "payload format invalid",
    0x9A: "retain not supported",
    0x9B: "QoS not supported",
    0x9C: "use another server",
    0x9D: "server moved",
    0x9E: "shared subscriptions not supported",
    0x9F: "connection rate exceeded",
    0xA0: "maximum connect time",
    0xA1: "subscription identifiers not supported",
    0xA2: "wildcard subscriptions not supported",
}
KEEP_ALIVE_TIMEOUT, TAKEN_OVER, WITH_WILL = 0x8D, 0x8E, 0x04
FAILURE = 0x80  # and above


def reason(code: int) -> str:
    """A reason code of MQTT 5.0 in words, `quota exceeded (0x97)`."""
    words = SUCCESS_CODES.get(code) or FAILURE_CODES.get(code, "unknown reason")
    return f"{words} (0x{code:02X})"


def return_code(code: int, version: int) -> str:
    """What a CONNACK says, in words."""
    if version >= 5:
        return "accepted" if not code else reason(code)
    words = RETURN_CODES.get(code, "unknown return code")
    return words if not code else f"{words} ({code})"

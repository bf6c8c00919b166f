"""Properties of an MQTT 5 message as text (MQTT 5.0 section 3.3.2.3)."""

from __future__ import annotations

from typing import Any

from paho.mqtt.properties import Properties

# Those a PUBLISH may have: the library's name, ours.
_NAMES = (
    ("PayloadFormatIndicator", "payload format indicator"),
    ("MessageExpiryInterval", "message expiry interval"),
    ("TopicAlias", "topic alias"),
    ("ResponseTopic", "response topic"),
    ("CorrelationData", "correlation data"),
    ("SubscriptionIdentifier", "subscription identifier"),
    ("ContentType", "content type"),
)


def in_text(properties: Properties | None) -> dict[str, str]:
    """Names in the standard's words; bytes as hex; user properties as `user NAME`.

    A user property that comes several times has all its values, one a line: the standard lets a
    name repeat, and keeps the order (section 3.3.2.3.7).
    """
    told: dict[str, Any] = {} if properties is None else vars(properties)
    texts = {ours: _text(told[theirs]) for theirs, ours in _NAMES if theirs in told}
    for name, value in told.get("UserProperty", ()):
        key = f"user {name}"
        texts[key] = f"{texts[key]}\n{value}" if key in texts else value
    return texts


def _text(value: object) -> str:
    if isinstance(value, (bytes, bytearray)):
        return value.hex()
    if isinstance(value, list):
        return " ".join(map(str, value))
    return str(value)

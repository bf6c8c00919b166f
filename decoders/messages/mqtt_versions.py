"""Which version a direction of a connection speaks whose CONNECT was not captured."""

from __future__ import annotations

from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_packets import packet
from decoders.messages.mqtt_words import AUTH, PINGREQ, PINGRESP


def told_version(first: int, body: bytes, *, from_client: bool) -> int | None:
    """The protocol level by one packet, 4 or 5; None when it could be of either.

    Where both can read it, as with a PUBLISH whose payload begins with a zero byte in 3.1.1 or an
    empty list of properties in 5.0, it is taken for 5.0: text and JSON do not begin so.
    """
    kind = first >> 4
    if kind in (PINGREQ, PINGRESP) or (len(body) == 2 and kind != AUTH):
        return None
    readable = [level for level in (4, 5) if _reads(first, body, level, from_client=from_client)]
    return readable[-1] if readable else None


def _reads(first: int, body: bytes, version: int, *, from_client: bool) -> bool:
    try:
        packet(first, body, version, from_client=from_client)
    except MalformedError:
        return False
    return True

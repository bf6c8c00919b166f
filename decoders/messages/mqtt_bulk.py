"""PUBLISH packets of QoS 0 without properties, as columns: the bulk of most traffic.

They need no answer and change no state, so they are taken off together; whatever is odd about one
(a topic that is not allowed, properties) leaves it to the reading packet by packet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.captures.pcap_frames import Int64s
from decoders.messages.mqtt_stream import Cut
from decoders.messages.mqtt_words import PINGREQ, PINGRESP

_QOS_0 = 0x30  # and RETAIN or not
_MOST_TOPICS = 1 << 16  # names remembered of a connection


@dataclass(frozen=True, slots=True, eq=False)
class Plain:
    """Some packets of a `Cut`."""

    at: Int64s  # [k] which of its packets
    topics: list[str]  # [k]
    payloads: list[bytes]  # [k]
    retain: npt.NDArray[np.bool_]  # [k]


def plain_publishes(cut: Cut, version: int, known: dict[bytes, str]) -> Plain:
    """The plain PUBLISH packets of a cut.

    Args:
        cut: whole packets.
        version: protocol level.
        known: topic names seen so far, "" for what may be none; grows, to so many.
    """
    at = np.flatnonzero((cut.first & 0xFE) == _QOS_0)
    view = np.frombuffer(cut.data, np.uint8)
    body, stop = cut.body[at], cut.stop[at]
    fits = stop - body > 2
    if not fits.all():
        at, body, stop = at[fits], body[fits], stop[fits]
    size = view[body].astype(np.int64) << 8 | view[body + 1]
    behind = body + 2 + size
    fits = (size > 0) & (behind <= stop)
    if version >= 5:
        fits &= behind < stop
        fits[fits] = view[behind[fits]] == 0
    if not fits.all():
        at, body, stop, behind = at[fits], body[fits], stop[fits], behind[fits]
    data = cut.data
    names = [data[a:b] for a, b in zip((body + 2).tolist(), behind.tolist(), strict=True)]
    if len(known) >= _MOST_TOPICS:
        known.clear()
    for name in set(names) - known.keys():
        _learn(name, known)
    topics = list(map(known.__getitem__, names))
    begins = (behind + (version >= 5)).tolist()
    payloads = [data[a:b] for a, b in zip(begins, stop.tolist(), strict=True)]
    retain = (cut.first[at] & 1).astype(np.bool_)
    if "" in topics:
        good = [k for k, topic in enumerate(topics) if topic]
        at, retain = at[good], retain[good]
        payloads, topics = [payloads[k] for k in good], [topics[k] for k in good]
    return Plain(at, topics, payloads, retain)


def _learn(name: bytes, known: dict[bytes, str]) -> None:
    """Take in a topic name; as "" where it is not allowed (section 4.7)."""
    try:
        text = name.decode()
    except UnicodeDecodeError:
        text = ""
    known[name] = "" if any(sign in text for sign in "+#\0") else text


def pings(cut: Cut, *, from_client: bool) -> Int64s:
    """Which packets are a PINGREQ of the client or a PINGRESP of the broker, as they should be."""
    kind = (PINGREQ if from_client else PINGRESP) << 4
    return np.flatnonzero((cut.first == kind) & (cut.body == cut.stop))

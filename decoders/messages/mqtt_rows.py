"""The messages of one block of a network capture as columns, in the order of the capture."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from decoders.captures.pcap_frames import Int64s
from decoders.messages.columns import DIRECTIONS, NO_MESSAGES, Messages, coded, offsets
from decoders.messages.mqtt_block import Block, Many, Row
from decoders.messages.mqtt_connection import MqttConnection

_TO_BROKER, _FROM_BROKER = (DIRECTIONS.index(word) for word in ("to-broker", "from-broker"))


def messages_of(block: Block) -> Messages:
    """The plain messages of a block and those that went through the sessions.

    Returns:
        Both together by frame, connection and place within it; `line` is the number of the frame
        that completed a message.
    """
    if not block.many and not block.rows:
        return NO_MESSAGES
    rows = block.rows
    numbers = np.concatenate([_numbers_of_rows(rows), *map(_numbers_of_many, block.many)])
    flags = np.concatenate([_flags_of_rows(rows), *map(_flags_of_many, block.many)])
    topics, payloads = [row.topic for row in rows], [row.payload for row in rows]
    clients = [row.connection.named(row.place.number) for row in rows]
    for many in block.many:
        topics += many.plain.topics
        payloads += many.plain.payloads
        clients += _clients_of_many(many)
    topic, topic_texts = coded(topics)
    client, client_texts = coded(clients)
    if len(block.many) + bool(rows) > 1:
        number, serial, row, k, _ = numbers.T
        order = np.lexsort((k, row, serial, number))
        numbers, flags, topic, client = numbers[order], flags[order], topic[order], client[order]
        payloads = list(map(payloads.__getitem__, order.tolist()))
    return Messages(
        t_ns=numbers[:, 4].copy(),
        line=numbers[:, 0].copy(),
        topic=topic,
        topics=topic_texts,
        client=client,
        clients=client_texts,
        direction=flags[:, 0].copy(),
        first=offsets(np.fromiter(map(len, payloads), np.int64, len(payloads))),
        data=np.frombuffer(b"".join(payloads), np.uint8),
        qos=flags[:, 1].astype(np.int8),
        retain=flags[:, 2].astype(np.bool_),
        duplicate=flags[:, 3].astype(np.bool_),
    )


def _numbers_of_rows(rows: Sequence[Row]) -> Int64s:
    """int64[n, 5]: the place of each message, and its time."""
    return np.array([[*row.place, row.t_ns] for row in rows], np.int64).reshape(-1, 5)


def _numbers_of_many(many: Many) -> Int64s:
    """As `_numbers_of_rows`."""
    serial = np.full(len(many.number), many.connection.tcp.serial, np.int64)
    return np.stack([many.number, serial, many.row, many.k, many.t_ns], axis=1)


def _flags_of_rows(rows: Sequence[Row]) -> npt.NDArray[np.uint8]:
    """uint8[n, 4]: direction, QoS, RETAIN and DUP of each message."""
    found = [
        (_direction(row.connection, row.half), row.qos, row.retain, row.duplicate) for row in rows
    ]
    return np.array(found, np.uint8).reshape(-1, 4)


def _flags_of_many(many: Many) -> npt.NDArray[np.uint8]:
    """As `_flags_of_rows`; plain messages are of QoS 0 and never sent again."""
    flags = np.zeros((len(many.number), 4), np.uint8)
    flags[:, 0] = _direction(many.connection, many.half)
    flags[:, 2] = many.plain.retain
    return flags


def _clients_of_many(many: Many) -> list[str]:
    """The client identifier at each message: it may come to light on the way."""
    c, n = many.connection, len(many.number)
    if c.names[-1][0] <= many.number[0]:
        return [c.client] * n
    return [c.named(number) for number in many.number.tolist()]


def _direction(c: MqttConnection, half: int) -> int:
    return _TO_BROKER if half == c.client_half else _FROM_BROKER

from __future__ import annotations

from decoders.messages.columns import DIRECTIONS, NO_MESSAGES, Messages
from decoders.messages.mqtt_block import Block, Place, Row
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_rows import messages_of
from decoders.messages.mqtt_sorting import PacketSorter
from tests.decoders.messages.mqtt_made import connack, connect, publish
from tests.decoders.messages.mqtt_parts import BROKER, CLIENT, MS, mqtt, part


def told(messages: Messages) -> list[tuple[int, str, str, str, bytes]]:
    """Frame, client, direction, topic and payload of each row."""
    directions = [DIRECTIONS[code] for code in messages.direction.tolist()]
    texts = messages.client_texts(), directions, messages.topic_texts(), messages.payloads()
    return list(zip(messages.line.tolist(), *texts, strict=True))


def read_one(c: MqttConnection, number: int, k: int, payload: bytes) -> Row:
    """A message of QoS 1 that went through the sessions."""
    place = Place(number, c.tcp.serial, number - 1, k)
    return Row(place, c, CLIENT, number * MS, "read", payload, 1, True, True)


def test_nothing_gives_no_rows() -> None:
    assert messages_of(Block()) is NO_MESSAGES


def test_plain_ones_and_those_that_were_read_stand_in_the_order_of_the_capture() -> None:
    c, block = mqtt(), Block()
    between = publish("read", b"2", qos=1, packet_id=7)
    said = publish("a", b"1") + between + publish("a", b"3")
    rows = (CLIENT, connect("filler-2")), (CLIENT, said), (BROKER, connack() + publish("b", b"5"))
    PacketSorter().feed(block, c, part(c.tcp, *rows))
    block.rows += [read_one(c, 4, 0, b"6"), read_one(c, 2, 2, b"2")]
    found = messages_of(block)
    assert told(found) == [
        (2, "filler-2", "to-broker", "a", b"1"),
        (2, "filler-2", "to-broker", "read", b"2"),
        (2, "filler-2", "to-broker", "a", b"3"),
        (3, "filler-2", "from-broker", "b", b"5"),
        (4, "filler-2", "to-broker", "read", b"6"),
    ]
    assert found.qos.tolist() == [0, 1, 0, 0, 1]
    assert found.retain.tolist() == found.duplicate.tolist() == [False, True, False, False, True]
    assert found.t_ns.tolist() == [2 * MS, 2 * MS, 2 * MS, 3 * MS, 4 * MS]


def test_of_one_frame_the_older_connection_comes_first() -> None:
    block = Block()
    for serial in (2, 1):
        c = mqtt(serial)
        rows = part(c.tcp, (CLIENT, connect(f"filler-{serial}") + publish("a", bytes([serial]))))
        PacketSorter().feed(block, c, rows)
    assert [client for _, client, _, _, _ in told(messages_of(block))] == ["filler-1", "filler-2"]


def test_an_identifier_counts_from_the_frame_that_told_it() -> None:
    c, block = mqtt(), Block()
    rows = (CLIENT, connect("")), (CLIENT, publish("a")), (CLIENT, publish("a"))
    PacketSorter().feed(block, c, part(c.tcp, *rows))
    c.name("auto-1", 3)
    assert [row[:2] for row in told(messages_of(block))] == [(2, ""), (3, "auto-1")]


def test_columns_have_their_types() -> None:
    block = Block(rows=[read_one(mqtt(), 1, 0, b"1")])
    found = messages_of(block)
    columns = found.t_ns, found.topic, found.direction, found.qos, found.retain
    assert [str(column.dtype) for column in columns] == ["int64", "int32", "uint8", "int8", "bool"]
    assert found.first.tolist() == [0, 1]

from __future__ import annotations

import pytest

from decoders.captures.tcp_connections import What
from decoders.messages.mqtt_block import Block
from decoders.messages.mqtt_bytes import MalformedError
from decoders.messages.mqtt_connect import Connack, Connect
from decoders.messages.mqtt_connection import MqttConnection
from decoders.messages.mqtt_packets import Publish
from decoders.messages.mqtt_sorting import Hole, PacketSorter
from decoders.messages.mqtt_stream import Lost, Unread
from tests.decoders.messages.mqtt_made import PINGREQ, connack, connect, made, publish
from tests.decoders.messages.mqtt_parts import BROKER, CLIENT, MS, mqtt, part


def sorted_rows(
    *rows: tuple[int, bytes | int | What], c: MqttConnection | None = None
) -> tuple[Block, MqttConnection, PacketSorter]:
    c, block, sorter = c or mqtt(), Block(), PacketSorter()
    sorter.feed(block, c, part(c.tcp, *rows))
    return block, c, sorter


def test_plain_messages_stand_in_columns_and_the_rest_are_steps() -> None:
    message = publish("a/b", b"1", qos=1, packet_id=7)
    block, _, _ = sorted_rows(
        (CLIENT, connect()),
        (BROKER, connack()),
        (CLIENT, publish("a/b", b"0") + message + PINGREQ),
        (CLIENT, publish("c", b"2")),
    )
    (many,) = block.many
    assert (many.number.tolist(), many.k.tolist()) == ([3, 4], [1, 4])
    assert (many.plain.topics, many.t_ns.tolist()) == (["a/b", "c"], [3 * MS, 4 * MS])
    kinds = [(type(step.what), step.place.number) for step in block.in_order()]
    assert kinds == [(Connect, 1), (Connack, 2), (Publish, 3)]
    assert block.packets == 6


def test_the_connect_says_who_it_is_and_how_the_rest_is_read() -> None:
    _, c, sorter = sorted_rows(
        (CLIENT, connect("filler-2", version=5) + publish("a", b"1", properties=b"\x23\0\x01"))
    )
    assert (c.label, c.whole, c.versions) == ("filler-2", True, [5, 5])
    assert sorter.begun_before == 0


def test_without_its_connect_a_connection_was_begun_before_and_each_half_tells_its_version() -> (
    None
):
    block, c, sorter = sorted_rows(
        (CLIENT, publish("a", b"x", properties=b"")), (BROKER, publish("b", b"{}"))
    )
    assert (sorter.begun_before, c.whole, c.versions) == (1, False, [5, 4])
    assert [many.plain.payloads for many in block.many] == [[b"x"], [b"{}"]]


def test_a_second_connect_is_only_a_step() -> None:
    block, c, _ = sorted_rows((CLIENT, connect("one") + connect("two")))
    assert [type(step.what) for step in block.steps] == [Connect, Connect]
    assert c.client == "one"


def test_a_malformed_packet_is_a_step_with_its_first_byte() -> None:
    block, _, _ = sorted_rows((CLIENT, connect() + made(0x60, b"\0\1")))
    assert isinstance(block.steps[1].what, MalformedError)
    assert block.steps[1].first == 0x60


def test_a_hole_is_told_between_what_came_before_and_behind_it() -> None:
    long = publish("a", b"x" * 100)
    block, _, sorter = sorted_rows(
        (CLIENT, connect("filler-2") + long[:50]), (CLIENT, 20), (CLIENT, long[70:])
    )
    assert [type(step.what) for step in block.steps] == [Connect, Lost, Unread]
    assert sorter.holes == [Hole("filler-2", 1 * MS, 2 * MS, 20)]


def test_a_hole_at_the_begin_of_a_part_follows_what_earlier_parts_brought() -> None:
    c, sorter = mqtt(), PacketSorter()
    sorter.feed(Block(), c, part(c.tcp, (CLIENT, connect("filler-2")), (BROKER, connack())))
    sorter.feed(Block(), c, part(c.tcp, (CLIENT, 20), (CLIENT, PINGREQ), first=900))
    assert sorter.holes == [Hole("filler-2", 1 * MS, 900 * MS, 20)]
    assert c.rows_before == 4


def test_so_many_holes_are_kept() -> None:
    _, _, sorter = sorted_rows(*[(CLIENT, 5)] * 1200)
    assert len(sorter.holes) == 1000


@pytest.mark.parametrize(
    ("ends", "is_over"),
    [
        ([(CLIENT, What.FIN)], False),
        ([(CLIENT, What.FIN), (BROKER, What.FIN)], True),
        ([(BROKER, What.RST)], True),
        ([(CLIENT, What.CUT)], True),
        ([], False),
    ],
)
def test_a_connection_is_over_when_both_sides_have_ended_it_or_one_broke_it_off(
    ends: list[tuple[int, bytes | int | What]], is_over: bool
) -> None:
    c, block = mqtt(), Block()
    over = PacketSorter().feed(block, c, part(c.tcp, (CLIENT, connect()), *ends))
    assert over == is_over
    assert [step.what for step in block.steps[1:]] == [what for _, what in ends]


def test_the_client_speaks_with_pings_and_plain_messages_too() -> None:
    block, c, _ = sorted_rows((CLIENT, connect(keep_alive=1)), (CLIENT, PINGREQ + publish("a")))
    assert block.heard == {1: c}
    c.hear(2**62)
    assert c.last_client_ns == 2 * MS

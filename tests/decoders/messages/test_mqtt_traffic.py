from __future__ import annotations

import pytest

from decoders.captures.tcp_connections import What
from decoders.messages.mqtt_happenings import Happening
from decoders.messages.mqtt_traffic import MqttDecoder, MqttRows, TrafficFacts
from tests.decoders.messages.mqtt_made import DISCONNECT, connack, connect, publish
from tests.decoders.messages.mqtt_parts import BROKER, CLIENT, MS, part, tcp


def whats(*rows: MqttRows) -> list[Happening]:
    return [event.what for each in rows for event in each.events]


def test_what_waits_for_a_verdict_is_told_when_it_falls() -> None:
    of, decoder = tcp(port=9001), MqttDecoder()
    whole = connect("filler-2")
    first = decoder.feed([part(of, (CLIENT, whole[:5]))])
    second = decoder.feed([part(of, (CLIENT, whole[5:]), (CLIENT, publish("a")), first=2)])
    assert (whats(first), whats(second)) == ([], [Happening.CONNECT])
    assert second.events[0].number == 2
    assert second.messages.line.tolist() == [3]


def test_what_came_to_light_before_the_verdict_counts_from_its_frame() -> None:
    of, decoder = tcp(), MqttDecoder()
    rows = decoder.feed([part(of, (BROKER, connack()), (CLIENT, connect("filler-2")))])
    assert [(event.number, event.t_ns) for event in rows.events] == [(2, 1 * MS), (2, 2 * MS)]


def test_a_connection_of_something_else_is_asked_for_no_more() -> None:
    of, decoder = tcp(port=80), MqttDecoder()
    rows = decoder.feed([part(of, (CLIENT, b"GET / HTTP/1.1\r\n"))])
    assert (whats(rows), of.is_wanted) == ([], False)
    assert decoder.facts == TrafficFacts(connections=0, begun_before=0, tls=0)


def test_what_is_no_connect_on_mqtts_port_is_told_by_the_statement_it_breaks() -> None:
    decoder = MqttDecoder()
    rows = decoder.feed([part(tcp(), (CLIENT, b"GET / HTTP/1.1\r\n"))])
    (event,) = rows.events
    assert event.what is Happening.MALFORMED
    what = "a packet of the client: the connection does not begin with a CONNECT"
    assert event.detail == f"[MQTT-3.1.0-1] {what}"


def test_encrypted_connections_and_those_that_were_open_before_are_counted() -> None:
    decoder = MqttDecoder()
    decoder.feed([part(tcp(1, port=8883), (CLIENT, b"\x16\x03\x01\x02\0\x01"))])
    decoder.feed([part(tcp(2, opener=None), (CLIENT, publish("a")))])
    assert decoder.facts == TrafficFacts(connections=1, begun_before=1, tls=1)
    assert decoder.sessions.packets == 1


@pytest.mark.parametrize(
    ("end", "said"),
    [(What.FIN, "closed"), (What.RST, "reset")],
)
def test_an_end_without_a_disconnect_is_a_connection_dropped(end: What, said: str) -> None:
    decoder = MqttDecoder()
    rows = (CLIENT, connect("filler-2")), (BROKER, connack()), (CLIENT, end)
    found = decoder.feed([part(tcp(), *rows)])
    assert whats(found)[-1] is Happening.DROPPED
    assert said in found.events[-1].detail


def test_what_the_end_of_the_capture_cut_is_no_connection_dropped() -> None:
    decoder = MqttDecoder()
    rows = (CLIENT, connect("filler-2")), (BROKER, connack()), (CLIENT, What.CUT)
    found = decoder.feed([part(tcp(), *rows)])
    assert whats(found, decoder.finish()) == [Happening.CONNECT, Happening.ACCEPTED]


def test_connections_of_one_block_are_told_in_the_order_of_frames() -> None:
    one, two, decoder = tcp(1), tcp(2), MqttDecoder()
    found = decoder.feed(
        [
            part(two, (CLIENT, connect("filler-2")), (BROKER, connack()), first=2),
            part(one, (CLIENT, connect("filler-1")), first=1),
            part(one, (CLIENT, DISCONNECT), first=9),
        ]
    )
    assert [(event.number, event.client) for event in found.events] == [
        (1, "filler-1"),
        (2, "filler-2"),
        (3, "filler-2"),
        (9, "filler-1"),
    ]

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.tcp_connections import Connection, End
from decoders.messages.mqtt_connection import MqttConnection, Silence
from decoders.messages.mqtt_handshakes import InFlight

SECOND_NS = 1_000_000_000


def connection(keep_alive_s: int = 0) -> MqttConnection:
    address = bytes(10) + b"\xff\xff" + bytes([10, 0, 0, 7])
    ends = End(bytes(16), 1883), End(address, 50112)
    return MqttConnection(Connection(1, ends), 1, InFlight(), keep_alive_s=keep_alive_s)


def spoke(c: MqttConnection, *at_s: int) -> None:
    """Plain packets of the client, a frame for each second."""
    at = np.array(at_s, np.int64)
    c.spoke(at, at * SECOND_NS)


def test_it_is_called_by_its_address_until_its_identifier_is_known() -> None:
    c = connection()
    assert c.label == c.client_end == "10.0.0.7:50112"
    c.name("capline-01", 5)
    assert (c.label, c.named(4), c.named(5)) == ("capline-01", "", "capline-01")


def test_its_packets_are_read_as_3_1_1_until_its_version_is_known() -> None:
    c = connection()
    assert c.version(0) == 4
    c.versions[0] = 5
    assert (c.version(0), c.version(1)) == (5, 4)


def test_a_client_may_be_silent_for_one_and_a_half_times_its_keep_alive() -> None:
    # MQTT 3.1.1 [MQTT-3.1.2-24]: at 60 s of keep alive it is late after 90 s
    c = connection(60)
    assert c.active(1, 0) == []
    assert c.active(2, 90 * SECOND_NS) == []
    assert c.active(3, 181 * SECOND_NS) == [Silence(3, 90 * SECOND_NS, 181 * SECOND_NS)]


def test_without_a_keep_alive_it_may_be_silent_as_long_as_it_likes() -> None:
    c = connection()
    assert c.active(1, 0) + c.active(2, 10**6 * SECOND_NS) == []
    assert (c.limit_ns, c.silence_ns(10**6 * SECOND_NS + 7)) == (None, 7)


def test_before_its_first_packet_it_has_not_been_silent() -> None:
    assert connection(60).silence_ns(10**18) == 0


def test_silences_among_plain_packets_are_found_up_to_the_frame_asked_for() -> None:
    c = connection(10)
    spoke(c, 0, 10, 30, 40, 60)
    assert c.hear(30) == [Silence(30, 10 * SECOND_NS, 30 * SECOND_NS)]
    assert c.hear(30) == []
    assert c.hear(100) == [Silence(60, 40 * SECOND_NS, 60 * SECOND_NS)]


@settings(deadline=None)
@given(
    at_s=st.lists(st.integers(0, 200), min_size=1, unique=True).map(sorted),
    asked=st.lists(st.integers(0, 200)).map(sorted),
    blocks=st.booleans(),
)
def test_silences_do_not_depend_on_when_they_are_asked_for(
    at_s: list[int], asked: list[int], blocks: bool
) -> None:
    c, one_by_one = connection(10), connection(10)
    expected = [found for at in at_s for found in one_by_one.active(at, at * SECOND_NS)]
    half = len(at_s) // 2 if blocks else 0
    found: list[Silence] = []
    for part in (at_s[:half], at_s[half:]):
        spoke(c, *part)
        for number in [at for at in asked if part and part[0] <= at <= part[-1]]:
            found += c.hear(number)
        found += c.hear(2**62)
        c.all_heard()
    assert found == expected


def test_an_alias_stands_for_the_last_name_it_was_given_in_that_direction() -> None:
    c = connection()
    assert c.topic_of(7, "", 0) is None
    assert [c.topic_of(7, "a/b", 0), c.topic_of(7, "", 0)] == ["a/b", "a/b"]
    assert c.topic_of(7, "", 1) is None
    assert [c.topic_of(7, "c", 0), c.topic_of(7, "", 0)] == ["c", "c"]
    assert (c.topic_of(0, "d", 0), c.topic_of(0, "", 0)) == ("d", "")


@pytest.mark.parametrize("alias", [4096, 5000])
def test_so_many_aliases_are_remembered(alias: int) -> None:
    c = connection()
    for k in range(1, alias + 2):
        c.topic_of(k, "a", 0)
    assert len(c.aliases[0]) == 4096

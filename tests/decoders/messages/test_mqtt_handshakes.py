"""Handshakes of one session by the flows of MQTT 3.1.1 and 5.0 section 4.3."""

from __future__ import annotations

import pytest

from decoders.messages.mqtt_handshakes import Broken, InFlight, Tally
from decoders.messages.mqtt_packets import Ack, Publish, Subscribe
from decoders.messages.mqtt_words import (
    PUBACK,
    PUBCOMP,
    PUBREC,
    PUBREL,
    SUBACK,
    SUBSCRIBE,
)


def sent(
    flight: InFlight,
    qos: int,
    *,
    again: bool = False,
    connection: int = 1,
    version: int = 4,
    from_client: bool = True,
) -> Broken | None:
    message = Publish("a/b", b"1", qos, False, again, 9)
    return flight.publish(message, "a/b", 0, connection, version=version, from_client=from_client)


def answers(flight: InFlight, *acks: tuple[int, bool], reason: int = 0) -> list[Broken | None]:
    """What is told of answers: type, and whether the client sent it."""
    return [flight.ack(Ack(kind, 9, reason), from_client=own) for kind, own in acks]


EXACTLY_ONCE = ((PUBREC, False), (PUBREL, True), (PUBCOMP, False))


def test_the_flows_of_section_4_3_complete() -> None:
    flight = InFlight()
    told = [sent(flight, 1), *answers(flight, (PUBACK, False))]
    told += [sent(flight, 2), *answers(flight, *EXACTLY_ONCE)]
    assert told == [None] * 6
    assert flight.tallies == {"QoS 1": Tally(1), "QoS 2": Tally(1)}
    assert flight.begun == {}


def test_client_and_broker_number_independently() -> None:
    flight = InFlight()
    assert [sent(flight, 1), sent(flight, 1, from_client=False)] == [None, None]
    answers(flight, (PUBACK, True))
    assert [key[0] for key in flight.begun] == [True]


@pytest.mark.parametrize(
    ("version", "from_client", "clause"),
    [
        (4, True, "MQTT-2.3.1-2"),
        (5, True, "MQTT-2.2.1-3"),
        (5, False, "MQTT-2.2.1-4"),
    ],
)
def test_an_identifier_is_not_used_again_before_it_is_free(
    version: int, from_client: bool, clause: str
) -> None:
    flight = InFlight()
    sent(flight, 1, version=version, from_client=from_client)
    broken = sent(flight, 1, version=version, from_client=from_client)
    assert broken is not None
    assert broken.clause == clause


def test_a_message_is_sent_again_with_dup_on_a_new_connection_only_in_5_0() -> None:
    old, new = InFlight(), InFlight()
    assert [sent(old, 1), sent(old, 1, again=True)] == [None, None]
    sent(new, 1, version=5)
    assert sent(new, 1, again=True, version=5, connection=2) is None
    broken = sent(new, 1, again=True, version=5, connection=2)
    assert broken is not None
    assert broken.clause == "MQTT-4.4.0-1"


@pytest.mark.parametrize(("version", "clause"), [(4, "MQTT-4.3.3-1"), (5, "MQTT-4.3.3-6")])
def test_a_message_is_not_sent_again_after_its_pubrel(version: int, clause: str) -> None:
    flight = InFlight()
    sent(flight, 2, version=version)
    answers(flight, (PUBREC, False), (PUBREL, True))
    broken = sent(flight, 2, again=True, version=version)
    assert broken is not None
    assert broken.clause == clause


def test_an_answer_out_of_turn_is_told_and_a_repeated_one_is_let_pass() -> None:
    flight = InFlight()
    sent(flight, 2)
    assert answers(flight, (PUBCOMP, False)) == [
        Broken("MQTT section 4.3", "PUBCOMP 9 in place of PUBREC")
    ]
    assert answers(flight, (PUBREC, False), (PUBREC, False), (PUBREL, True)) == [None] * 3
    assert answers(flight, (PUBREL, True), (PUBCOMP, False)) == [None, None]


def test_a_refusal_ends_the_handshake_and_no_pubrel_may_follow() -> None:
    flight = InFlight()
    sent(flight, 2, version=5)
    assert answers(flight, (PUBREC, False), reason=0x97) == [None]
    assert flight.tallies == {"QoS 2": Tally(refused=1)}
    (broken,) = answers(flight, (PUBREL, True))
    assert broken == Broken("MQTT-4.3.3-4", "PUBREL 9 after a PUBREC that refused it")
    assert sent(flight, 1, version=5) is None


def test_a_subscription_is_answered_by_its_suback() -> None:
    flight = InFlight()
    asked = Subscribe(SUBSCRIBE, 9, (("capline/#", 1),))
    assert flight.subscribe(asked, 0, 1, version=4) is None
    assert flight.ack(Ack(SUBACK, 9, codes=b"\x01"), from_client=False) is None
    assert flight.tallies == {"SUBSCRIBE": Tally(1)}


def test_an_answer_to_what_began_before_the_capture_is_let_pass() -> None:
    flight = InFlight()
    assert answers(flight, (PUBACK, False), (PUBREL, True)) == [None, None]
    assert flight.tallies == {}


def test_what_was_not_answered_is_taken_out_with_who_began_it() -> None:
    flight = InFlight()
    sent(flight, 1)
    sent(flight, 2, from_client=False)
    found = [(own, number, each.qos) for own, number, each in flight.unfinished(None)]
    assert found == [(True, 9, 1), (False, 9, 2)]
    assert flight.tallies == {"QoS 1": Tally(unfinished=1), "QoS 2": Tally(unfinished=1)}
    assert flight.begun == {}


def test_what_is_too_fresh_or_may_have_been_answered_unseen_is_not_called_unfinished() -> None:
    fresh, doubtful = InFlight(), InFlight()
    sent(fresh, 1)
    sent(doubtful, 1)
    doubtful.doubt()
    assert fresh.unfinished(-1) + doubtful.unfinished(None) == []


def test_after_bytes_that_were_not_captured_nothing_is_called_out_of_turn() -> None:
    flight = InFlight()
    sent(flight, 2)
    flight.doubt()
    assert answers(flight, (PUBCOMP, False)) == [None]
    assert sent(flight, 1) is None

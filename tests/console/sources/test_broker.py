"""Messages of real brokers, of two makes: nothing lost, nothing sent, and what happened is told."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import Any

import msgspec
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from console.bench.broker import Topic
from console.bench.model import MessagesSource
from console.sources.broker import BrokerSource
from console.sources.records import Arrived, Happened, HostClock
from tests.console.sources.brokers import (
    WAIT_S,
    Amqtt,
    Iotcore,
    Real,
    free_port,
    running,
    send,
    sender,
)
from tests.console.sources.cable import Cable
from tests.console.sources.kept_records import Kept, recording, until, until_state

RETRY = ("100ms", "200ms")


def source_of(port: int, **keys: Any) -> BrokerSource:
    """A source of what a broker here has."""
    told = {"topics": ["capline/#"], "retry": RETRY, **keys}
    source = MessagesSource(name="broker", host="127.0.0.1", port=port, **told)
    return BrokerSource(source, {"P": "cider 42"}.get)


@pytest.fixture(params=[Amqtt, Iotcore], ids=["amqtt", "iotcore"])
def broker(request: pytest.FixtureRequest) -> Iterator[Real]:
    make: Callable[[], Real] = request.param
    with running(make()) as started:
        yield started


def test_messages_come_with_topic_payload_and_time(broker: Real) -> None:
    with recording(source_of(broker.port)) as kept:
        kept.until_happened("subscribed")
        before = kept.records[-1].t_ns
        send(broker.port, ("capline/hopper", b"\x00\xff41.7", 0, False), ("other", b"x", 0, False))
        send(broker.port, ("capline/caps", b"", 0, False))
        messages = kept.until_messages(2)
    assert [(m.source, m.topic, m.payload, m.qos, m.retain, m.duplicate) for m in messages] == [
        ("broker", "capline/hopper", b"\x00\xff41.7", 0, False, False),
        ("broker", "capline/caps", b"", 0, False, False),
    ]
    assert before <= messages[0].t_ns <= messages[1].t_ns


@pytest.mark.parametrize("qos", [0, 1, 2])
def test_messages_of_each_qos_come_once_and_in_order(broker: Real, qos: int) -> None:
    sent = [("capline/n", b"%d" % n, qos, False) for n in range(200)]
    with recording(source_of(broker.port, qos=qos)) as kept:
        assert kept.until_happened("subscribed") == [f"capline/#: QoS {qos}"]
        send(broker.port, *sent)
        messages = kept.until_messages(200)
    assert [message.payload for message in messages] == [payload for _, payload, _, _ in sent]
    assert {message.qos for message in messages} == {qos}


def test_times_of_qos_2_never_go_back(broker: Real) -> None:
    mixed = [("capline/n", b"x", n % 3, False) for n in range(300)]
    with recording(source_of(broker.port, qos=2)) as kept:
        kept.until_happened("subscribed")
        send(broker.port, *mixed)
        kept.until_messages(300)
    times = [record.t_ns for record in kept.records]
    assert times == sorted(times)


def test_each_topic_is_asked_for_at_its_own_qos(broker: Real) -> None:
    topics = ["capline/a/#", Topic(filter="capline/b/#", qos=2)]
    with recording(source_of(broker.port, topics=topics)) as kept:
        granted = kept.until_happened("subscribed")
    assert granted == ["capline/a/#: QoS 0, capline/b/#: QoS 2"]


def test_a_retained_message_comes_marked_so(broker: Real) -> None:
    send(broker.port, ("capline/state", b"running", 1, True))
    with recording(source_of(broker.port)) as kept:
        first = kept.until_messages(1)[0]
    assert (first.topic, first.payload, first.retain) == ("capline/state", b"running", True)


def test_the_will_of_a_party_that_vanished_comes(broker: Real) -> None:
    will = ("capline/hopper/state", b"offline", 1, False)
    with recording(source_of(broker.port)) as kept:
        kept.until_happened("subscribed")
        with sender(broker.port, will=will) as client:
            client.publish("capline/here", b"").wait_for_publish(WAIT_S)
            sock = client.socket()
            assert isinstance(sock, socket.socket)
            sock.shutdown(socket.SHUT_RDWR)
            messages = kept.until_messages(2)
    assert [(m.topic, m.payload) for m in messages] == [
        ("capline/here", b""),
        ("capline/hopper/state", b"offline"),
    ]


def test_a_restart_of_the_broker_is_told_and_survived(broker: Real) -> None:
    with recording(source_of(broker.port)) as kept:
        kept.until_happened("subscribed")
        broker.stop()
        kept.until_happened("retry")
        broker.start()
        kept.until_happened("subscribed", 2)
        send(broker.port, ("capline/n", b"after", 0, False))
        kept.until_messages(1)
    words = kept.words()
    assert words[:4] == ["opened", "subscribed", "closed", "retry"]
    assert words[-4:] == ["opened", "subscribed", "message", "closed"]
    assert set(words[4:-4]) <= {"refused", "retry"}


def test_a_broker_that_is_not_there_yet_is_waited_for() -> None:
    broker = Amqtt()
    broker.port = free_port()
    source = source_of(broker.port)
    with recording(source) as kept:
        refused = kept.until_happened("refused", 3)
        with running(broker):
            kept.until_happened("subscribed")
            assert source.state().state == "open"
    assert refused[0] == (
        f"nothing listens on 127.0.0.1:{broker.port}. Is the broker running, the port right?"
    )


def test_waits_grow_from_the_first_to_the_longest() -> None:
    source = source_of(free_port(), retry=("100ms", "350ms"))
    with recording(source) as kept:
        waits = kept.until_happened("retry", 4)
    assert waits[:4] == ["in 100 ms", "in 200 ms", "in 350 ms", "in 350 ms"]
    tried = [r.t_ns for r in kept.records if isinstance(r, Happened) and r.what == "refused"]
    asked = [r.t_ns for r in kept.records if isinstance(r, Happened) and r.what == "retry"]
    waited = [b - a for a, b in zip(asked, tried[1:], strict=False)]
    assert [w >= least * 10**6 for w, least in zip(waited, (100, 200, 350), strict=False)] == [
        True
    ] * 3


def test_a_required_broker_that_is_not_there_is_the_end_of_it() -> None:
    source = source_of(free_port(), required=True)
    with recording(source) as kept:
        state = until_state(source, "failed")
    assert kept.words() == ["refused"]
    assert state.why.startswith("nothing listens on 127.0.0.1:")


def test_a_required_broker_that_goes_later_is_waited_for(broker: Real) -> None:
    with recording(source_of(broker.port, required=True)) as kept:
        kept.until_happened("subscribed")
        broker.stop()
        kept.until_happened("retry", 2)


LOGIN = {"username": "bench", "password": "cider 42"}
KEPT = {"clean": False, "client_id": "bench", "username": "bench", "password_env": "P"}


@pytest.fixture(params=["amqtt", "iotcore"])
def keeping(request: pytest.FixtureRequest) -> Iterator[Real]:
    """A broker that keeps sessions; the one in Python does so for users with a name only."""
    make: Real = Amqtt(**LOGIN) if request.param == "amqtt" else Iotcore()
    with running(make) as started:
        yield started


@pytest.mark.parametrize("qos", [1, 2])
def test_a_kept_session_brings_what_was_sent_while_away(keeping: Real, qos: int) -> None:
    keys = {"qos": qos, **KEPT}
    with Cable(keeping.port) as cable, recording(source_of(cable.port, **keys)) as kept:
        kept.until_happened("subscribed")
        cable.cut()
        kept.until_happened("retry")
        send(keeping.port, *[("capline/n", b"%d" % n, qos, False) for n in range(20)], **LOGIN)
        cable.mend()
        messages = kept.until_messages(20)
    assert [message.payload for message in messages] == [b"%d" % n for n in range(20)]
    opened = kept.happened("opened")
    assert opened[0].endswith("new session")
    assert opened[-1].endswith("session taken up")
    assert len(kept.happened("subscribed")) == 1


def test_a_kept_session_outlives_the_recording(keeping: Real) -> None:
    keys = {"qos": 1, **KEPT}
    with recording(source_of(keeping.port, **keys)) as first:
        first.until_happened("subscribed")
    send(keeping.port, ("capline/n", b"in between", 1, False), **LOGIN)
    with recording(source_of(keeping.port, **keys)) as second:
        second.until_happened("subscribed")
        messages = second.until_messages(1)
    assert messages[0].payload == b"in between"


def test_a_clean_session_begins_anew(broker: Real) -> None:
    with Cable(broker.port) as cable, recording(source_of(cable.port, qos=1)) as kept:
        kept.until_happened("subscribed")
        cable.cut()
        kept.until_happened("retry")
        send(broker.port, ("capline/n", b"missed", 1, False))
        cable.mend()
        kept.until_happened("subscribed", 2)
        send(broker.port, ("capline/n", b"seen", 1, False))
        messages = kept.until_messages(1)
    assert [message.payload for message in messages] == [b"seen"]


def test_a_session_that_a_restarted_broker_forgot_is_told() -> None:
    with (
        running(Amqtt()) as broker,
        recording(source_of(broker.port, clean=False, client_id="bench")) as kept,
    ):
        kept.until_happened("subscribed")
        broker.stop()
        broker.start()
        kept.until_happened("subscribed", 2)
    assert kept.happened("note") == [
        "the broker forgot the session: what it kept meanwhile is gone"
    ]


def test_properties_of_mqtt_5_come_as_text() -> None:
    with (
        running(Iotcore("5")) as broker,
        recording(source_of(broker.port, protocol="5")) as kept,
    ):
        kept.until_happened("subscribed")
        with sender(broker.port, protocol="5") as client:
            properties = properties_of_publish()
            client.publish("capline/n", b"{}", properties=properties).wait_for_publish(WAIT_S)
            message = kept.until_messages(1)[0]
    assert message.properties == {
        "content type": "application/json",
        "correlation data": "0a0b",
        "user line": "3",
    }


def properties_of_publish() -> Any:
    properties: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/json"
    properties.CorrelationData = b"\x0a\x0b"
    properties.UserProperty = ("line", "3")
    return properties


def test_a_session_of_mqtt_5_is_taken_up_again_within_its_expiry() -> None:
    keys = {"protocol": "5", "qos": 1, "session_expiry": "10min", **KEPT}
    with (
        running(Iotcore("5")) as broker,
        Cable(broker.port) as cable,
        recording(source_of(cable.port, **keys)) as kept,
    ):
        kept.until_happened("subscribed")
        cable.cut()
        kept.until_happened("retry")
        send(broker.port, ("capline/n", b"while away", 1, False), protocol="5")
        cable.mend()
        assert kept.until_messages(1)[0].payload == b"while away"


def test_a_broker_that_speaks_the_other_version_is_told() -> None:
    with running(Iotcore()) as broker, recording(source_of(broker.port, protocol="5")) as kept:
        refused = kept.until_happened("refused")[0]
    assert refused.startswith(f"127.0.0.1:{broker.port} ")
    assert "protocol" in refused


def test_the_password_comes_from_the_environment() -> None:
    source = MessagesSource(
        name="broker", host="127.0.0.1", username="bench", password_env="P", retry=RETRY
    )
    with running(Amqtt(**LOGIN)) as broker:
        told = BrokerSource(with_port(source, broker.port), {"P": "cider 42"}.get)
        with recording(told) as kept:
            kept.until_happened("subscribed")
            send(broker.port, ("capline/n", b"x", 0, False), **LOGIN)
            kept.until_messages(1)


def with_port(source: MessagesSource, port: int) -> MessagesSource:
    return msgspec.structs.replace(source, port=port)


def test_a_wrong_password_is_told_in_one_line_without_it() -> None:
    source = MessagesSource(
        name="broker", host="127.0.0.1", username="bench", password_env="P", retry=RETRY
    )
    with running(Amqtt(**LOGIN)) as broker:
        told = BrokerSource(with_port(source, broker.port), {"P": "a wrong one"}.get)
        with recording(told) as kept:
            refused = kept.until_happened("refused")[0]
            state = told.state()
    assert refused.startswith(f"127.0.0.1:{broker.port} refuses: ")
    assert "a wrong one" not in repr((kept.records, state, told, vars(told)))


def test_a_password_that_is_not_set_is_the_end_of_it() -> None:
    source = MessagesSource(name="broker", host="127.0.0.1", username="b", password_env="P")
    told = BrokerSource(source, lambda _: None)
    with recording(told) as kept:
        state = until_state(told, "failed")
    assert kept.words() == ["refused"]
    assert state.why.startswith("the environment variable P is not set. It holds the password")


def test_topics_that_may_not_be_read_are_told() -> None:
    topics = ["capline/#", "secret/#"]
    with running(Amqtt(readable=["capline/#"])) as broker:
        source = source_of(broker.port, topics=topics)
        with recording(source) as kept:
            refused = kept.until_happened("refused")
            state = source.state()
    assert kept.happened("subscribed") == ["capline/#: QoS 0"]
    assert refused == ["no messages of secret/#: unspecified error (0x80)"]
    assert (state.state, state.why) == ("open", refused[0])


def test_a_required_broker_that_lets_nothing_be_read_is_the_end_of_it() -> None:
    with running(Amqtt(readable=["other"])) as broker:
        source = source_of(broker.port, required=True)
        with recording(source) as kept:
            state = until_state(source, "failed")
    assert state.why == "the broker lets none of the topics be read. Look at topics"
    assert kept.words() == ["opened", "refused", "closed", "refused"]


def test_what_the_broker_says_of_itself_comes_on_request() -> None:
    with (
        running(Amqtt(sys=True)) as broker,
        recording(source_of(broker.port, topics=["#"], sys=True)) as kept,
    ):
        messages = kept.until_messages(1)
    assert messages[0].topic.startswith("$SYS/")
    assert "$SYS/#: QoS 0" in kept.happened("subscribed")[0]


def test_payloads_of_a_megabyte_come_whole(broker: Real) -> None:
    payload = bytes(range(256)) * 4096
    with recording(source_of(broker.port)) as kept:
        kept.until_happened("subscribed")
        send(broker.port, ("capline/picture", payload, 0, False))
        messages = kept.until_messages(1)
    assert messages[0].payload == payload


def test_a_flood_passes_without_loss() -> None:
    count = 20_000
    with running(Iotcore()) as broker:
        source = source_of(broker.port)
        with recording(source) as kept:
            kept.until_happened("subscribed")
            with sender(broker.port) as client:
                for n in range(count):
                    last = client.publish(f"capline/{n % 7}", b"%d" % n)
                last.wait_for_publish(WAIT_S)
                messages = kept.until_messages(count)
            state = source.state()
    assert [int(message.payload) for message in messages] == list(range(count))
    assert (state.records, state.lost) == (count, 0)
    assert state.bytes == sum(len(message.payload) for message in messages)
    assert state.last_ns == messages[-1].t_ns


def test_what_has_come_is_put_before_stop_returns(broker: Real) -> None:
    source, kept = source_of(broker.port), Kept()
    with recording(source) as first:
        first.until_happened("subscribed")
        send(broker.port, *[("capline/n", b"x", 0, False)] * 50)
        first.until_messages(50)
    assert kept.records == []
    assert first.words() == ["opened", "subscribed", *["message"] * 50, "closed"]
    assert first.happened("closed") == ["the recording ends"]
    assert source.state().state == "closed"


def test_a_recorder_that_cannot_take_messages_for_a_while_is_told_how_many(broker: Real) -> None:
    kept = Kept()
    full: list[bool] = [True]

    def put(record: Any) -> None:
        if full and isinstance(record, Arrived):
            raise OSError("no space left")
        kept(record)

    source = source_of(broker.port)
    source.start(put, HostClock())
    try:
        kept.until_happened("subscribed")
        send(broker.port, *[("capline/n", b"x", 0, False)] * 3)
        until(lambda: source.state().lost == 3)
        assert source.state().why == "messages cannot be kept: OSError: no space left"
        full.clear()
        send(broker.port, ("capline/n", b"y", 0, False))
        kept.until_happened("lost")
    finally:
        source.stop(WAIT_S)
    assert kept.happened("lost") == ["messages that could not be kept: 3"]
    assert [message.payload for message in kept.messages] == [b"y"]
    assert (source.state().records, source.state().lost) == (1, 3)


def test_a_source_without_a_host_is_a_callers_mistake() -> None:
    with pytest.raises(ValueError, match="source 'b' has no host"):
        BrokerSource(MessagesSource(name="b", path="b.jsonl"))


def test_stamps_are_those_of_the_hosts_clock(broker: Real) -> None:
    clock = HostClock(wall_ns=lambda: 5 * 10**18)
    with recording(source_of(broker.port), clock) as kept:
        kept.until_happened("subscribed")
        send(broker.port, ("capline/n", b"x", 0, False))
        kept.until_messages(1)
    times = [record.t_ns for record in kept.records]
    assert all(b >= a for a, b in pairwise(times))
    assert 0 <= times[0] - 5 * 10**18 < 600 * 10**9

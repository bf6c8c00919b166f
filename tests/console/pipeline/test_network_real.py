"""Real traffic of real brokers and an independent client, as the loopback interface carried it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl
import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from tests.console.pipeline.lo_capture import recorded
from tests.console.sources.brokers import WAIT_S, Amqtt, Iotcore, Real, running

SENT = [
    ("capline/hopper/level", b'{"level_cm": 41.7}', 0, False),
    ("capline/cam/blocks", b'{"n": 2}', 1, False),
    ("capline/valve", b"open", 2, False),
    ("capline/status", b"up", 1, True),
    ("capline/image", bytes(range(256)) * 500, 1, False),
]
COUNT = 40  # messages of QoS 0 besides


def evidence_of(path: Path) -> Evidence:
    return gathered(settled([str(path)], Overrides()))


@contextmanager
def client_of(port: int, name: str, version: MQTTProtocolVersion) -> Iterator[Client]:
    client = Client(
        CallbackAPIVersion.VERSION2, client_id=name, protocol=version, reconnect_on_failure=False
    )
    let_in = threading.Event()
    client.on_connect = lambda *_: let_in.set()
    client.connect("127.0.0.1", port, keepalive=30)
    client.loop_start()
    try:
        assert let_in.wait(WAIT_S)
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def exchanged(port: int, version: MQTTProtocolVersion) -> list[tuple[str, bytes, int, bool]]:
    """Subscribe with one client, publish with another; what the first one got."""
    got: list[tuple[str, bytes, int, bool]] = []
    subscribed, complete = threading.Event(), threading.Event()

    def take(_client: Client, _data: object, message: MQTTMessage) -> None:
        got.append((message.topic, bytes(message.payload), message.qos, message.retain))
        if len(got) == len(SENT) + COUNT:
            complete.set()

    with client_of(port, "listener", version) as listener:
        listener.on_message = take
        listener.on_subscribe = lambda *_: subscribed.set()
        listener.subscribe("capline/#", 2)
        assert subscribed.wait(WAIT_S)
        with client_of(port, "sender", version) as sender:
            for topic, payload, qos, retain in SENT:
                sender.publish(topic, payload, qos, retain).wait_for_publish(WAIT_S)
            for k in range(COUNT):
                sender.publish("capline/count", b"%d" % k).wait_for_publish(WAIT_S)
            assert complete.wait(WAIT_S)
    return got


CASES = [(Amqtt, "3.1.1"), (Iotcore, "3.1.1"), (Iotcore, "5")]


@pytest.mark.parametrize(("make", "protocol"), CASES, ids=[f"{m.__name__}-{p}" for m, p in CASES])
def test_everything_a_client_sent_and_got_is_in_the_capture(
    make: type[Real], protocol: str, tmp_path: Path
) -> None:
    version = MQTTProtocolVersion.MQTTv5 if protocol == "5" else MQTTProtocolVersion.MQTTv311
    broker = Iotcore(protocol) if make is Iotcore else Amqtt()
    with running(broker), recorded(broker.port) as recorder:
        got = exchanged(broker.port, version)
    evidence = evidence_of(recorder.write(tmp_path / "lan.pcap"))
    messages = evidence.tables["messages"]
    assert _rows(messages, "sender", "to-broker") == [
        *SENT, *(("capline/count", b"%d" % k, 0, False) for k in range(COUNT)),
    ]  # fmt: skip
    assert sorted(_rows(messages, "listener", "from-broker")) == sorted(got)
    (source,) = evidence.sources
    assert source.kind == "network"
    assert [w for w in source.assumed if "not completed" in w or "not captured" in w] == []
    happened = evidence.tables["happenings"]["what"].to_list()
    assert (happened.count("connect"), happened.count("connack")) == (2, 2)
    assert happened.count("disconnect") == 2
    wrong = ("malformed", "lost", "unread", "half-handshake", "keep-alive", "taken-over", "duel")
    assert set(happened) & set(wrong) == set()


def _rows(table: pl.DataFrame, client: str, way: str) -> list[tuple[str, bytes, int, bool]]:
    """Messages of one client in one direction; escapes of bytes that are no UTF-8 undone."""
    chosen = table.filter(pl.col("client") == client, pl.col("direction") == way)
    rows = chosen.select("topic", "payload", "qos", "retain").rows()
    return [(topic, _bytes(payload), qos, retain) for topic, payload, qos, retain in rows]


def _bytes(payload: str) -> bytes:
    known = {p.decode("utf-8", "backslashreplace"): p for _, p, _, _ in SENT}
    return known.get(payload, payload.encode())


def test_two_programs_with_one_client_identifier_are_found_fighting(tmp_path: Path) -> None:
    with running(Iotcore()) as broker, recorded(broker.port) as recorder:
        gone = [threading.Event() for _ in range(5)]
        clients = []
        for k in range(5):
            client = Client(CallbackAPIVersion.VERSION2, client_id="capline-01",
                            reconnect_on_failure=False)  # fmt: skip
            let_in = threading.Event()
            client.on_connect = lambda *_, let_in=let_in: let_in.set()
            client.on_disconnect = lambda *_, k=k: gone[k].set()
            client.connect("127.0.0.1", broker.port)
            client.loop_start()
            clients.append(client)
            assert let_in.wait(WAIT_S)
            assert not k or gone[k - 1].wait(WAIT_S)
        for client in clients:
            client.disconnect()
            client.loop_stop()
    evidence = evidence_of(recorder.write(tmp_path / "lan.pcap"))
    duels = [f for f in evidence.findings if f.rule == "mqtt-duel"]
    assert [(f.severity, f.evidence["count"]) for f in duels] == [("fault", 1)]
    taken = evidence.tables["happenings"].filter(pl.col("what") == "taken-over")
    assert taken.height == 4

"""Sending to real ports and brokers: once, within its time, and nothing without the right."""

from __future__ import annotations

import ast
import queue
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from console.bench.model import MessagesSource, PrintsSource
from console.sources.broker_sender import BrokerSender
from console.sources.port import PortSource
from console.sources.records import HostClock
from console.sources.sender import PortSender, Publication, SendError, Written
from console.sources.transmit import Transmit
from tests.console.sources.brokers import Amqtt, free_port, running
from tests.console.sources.live import WAIT_S, Pty, Records
from tests.console.sources.scripted_broker import CONNACK, CONNECT, PUBLISH, Line, ScriptedBroker

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture
def pty() -> Iterator[Pty]:
    made = Pty()
    yield made
    made.unplug()


@pytest.fixture
def port(pty: Pty) -> Iterator[PortSource]:
    source, records = PortSource(PrintsSource(name="board", port=pty.path)), Records()
    source.start(records.put, HostClock())
    records.wait_for("opened")
    yield source
    source.stop()


def sender_to(port: int, right: Transmit, **told: object) -> BrokerSender:
    settings = {"name": "broker", "host": "127.0.0.1", "port": port} | told
    return BrokerSender(MessagesSource(**settings), right, HostClock())  # type: ignore[arg-type]


def read_all(pty: Pty, count: int) -> bytes:
    data, until_s = b"", time.monotonic() + WAIT_S
    while len(data) < count and time.monotonic() < until_s:
        data += pty.written()
    return data


def test_what_is_written_arrives_whole_though_the_driver_takes_it_in_pieces(
    pty: Pty, port: PortSource
) -> None:
    sent, got = bytes(range(256)) * 400, list[bytes]()
    reader = threading.Thread(target=lambda: got.append(read_all(pty, len(sent))))
    reader.start()
    PortSender(port, Transmit(), HostClock()).send(Written("board", sent), WAIT_S)
    reader.join()
    assert got == [sent]


def test_a_port_nobody_reads_gives_up_within_the_time(port: PortSource) -> None:
    began_s = time.monotonic()
    with pytest.raises(SendError, match=r"nothing takes the bytes within 200 ms; \d+ bytes"):
        PortSender(port, Transmit(), HostClock()).send(Written("board", bytes(1 << 20)), 0.2)
    assert time.monotonic() - began_s < WAIT_S / 2


def test_a_port_that_is_not_open_is_told(tmp_path: Path) -> None:
    source = PortSource(PrintsSource(name="board", port=str(tmp_path / "gone")))
    with pytest.raises(SendError, match="it is not open within 50 ms"):
        PortSender(source, Transmit(), HostClock()).send(Written("board", b"x"), 0.05)


def test_nothing_is_written_once_the_right_is_taken_back(pty: Pty, port: PortSource) -> None:
    right = Transmit()
    right.end()
    with pytest.raises(SendError, match="sending was stopped"):
        PortSender(port, right, HostClock()).send(Written("board", b"x"), WAIT_S)
    assert pty.written() == b""


@pytest.mark.parametrize("qos", [0, 1, 2])
def test_a_message_goes_through_a_broker_to_whoever_subscribed(qos: int) -> None:
    got: queue.SimpleQueue[MQTTMessage] = queue.SimpleQueue()
    ready = threading.Event()
    with running(Amqtt()) as broker:
        client = Client(CallbackAPIVersion.VERSION2)
        client.on_message = lambda _c, _d, message: got.put(message)
        client.on_subscribe = lambda *_: ready.set()
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        client.subscribe("capline/#", qos)
        assert ready.wait(WAIT_S)
        sender = sender_to(broker.port, Transmit())
        went = sender.send(Publication("broker", "capline/x", b"left", qos), WAIT_S)
        m = got.get(timeout=WAIT_S)
        sender.close()
        client.disconnect()
        client.loop_stop()
    assert (m.topic, m.payload, m.qos) == ("capline/x", b"left", qos)
    assert went.began_ns <= went.ended_ns


def lets_in(line: Line) -> None:
    """Let a client in, and then say nothing more."""
    line.until(CONNECT)
    line.send(CONNACK)
    line.rest()


def test_a_broker_that_acknowledges_nothing_is_given_up_and_gets_nothing_later() -> None:
    with ScriptedBroker(lets_in) as broker:
        sender = sender_to(broker.port, Transmit())
        with pytest.raises(SendError, match="too long to be acknowledged"):
            sender.send(Publication("broker", "a", b"first", 1), 0.5)
        sender.send(Publication("broker", "b", b"second", 0), WAIT_S)
        sender.close()
        assert [b"first" in line.received for line in broker.lines] == [True, False]


def test_a_broker_that_lets_nobody_in_is_given_up_within_the_time() -> None:
    with ScriptedBroker(Line.rest) as broker, pytest.raises(SendError, match="to be let in"):
        sender_to(broker.port, Transmit()).send(Publication("broker", "a", b"x"), 0.3)


def test_a_broker_that_refuses_is_told_in_its_words() -> None:
    def refuses(line: Line) -> None:
        line.until(CONNECT)
        line.send(bytes.fromhex("20020005"))

    with ScriptedBroker(refuses) as broker, pytest.raises(SendError, match=r"(?i)not authori"):
        sender_to(broker.port, Transmit()).send(Publication("broker", "a", b"x"), WAIT_S)


def test_a_broker_that_is_not_there_is_told() -> None:
    with pytest.raises(SendError, match="nothing listens"):
        sender_to(free_port(), Transmit()).send(Publication("broker", "a", b"x"), WAIT_S)


def test_a_missing_password_is_told_by_the_name_of_its_variable() -> None:
    sender = sender_to(1, Transmit(), username="a", password_env="LASTACK_NO_SUCH_VARIABLE")
    with pytest.raises(SendError, match="LASTACK_NO_SUCH_VARIABLE"):
        sender.send(Publication("broker", "a", b"x"), WAIT_S)


def test_taking_back_the_right_ends_a_sending_at_once() -> None:
    right = Transmit()
    with ScriptedBroker(lets_in) as broker:
        sender = sender_to(broker.port, right)
        ender = threading.Timer(0.1, right.end)
        ender.start()
        with pytest.raises(SendError, match="sending was stopped"):
            sender.send(Publication("broker", "a", b"x", 1), WAIT_S)
        with pytest.raises(SendError, match="sending was stopped"):
            sender.send(Publication("broker", "a", b"later"), WAIT_S)
        sender.close()
        ender.join()
        assert b"later" not in b"".join(line.received for line in broker.lines)


def test_it_does_not_come_under_the_client_id_that_is_recorded() -> None:
    with ScriptedBroker(lets_in) as broker:
        sender = sender_to(broker.port, Transmit(), client_id="capline-bench", clean=False)
        sender.send(Publication("broker", "a", b"x"), WAIT_S)
        sender.close()
        assert b"capline-bench" not in broker.lines[0].received


def test_the_right_to_send_is_made_on_the_command_line_alone() -> None:
    makers = [
        str(path.relative_to(ROOT))
        for path in sorted((ROOT / "console").rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and "Transmit" in ast.unparse(node.func).split(".")
    ]
    assert makers == ["console/commands/exercise.py"]


def test_a_publish_packet_is_what_this_test_module_takes_it_for() -> None:
    with ScriptedBroker(lets_in) as broker:
        sender = sender_to(broker.port, Transmit())
        sender.send(Publication("broker", "a", b"x", 0, retain=True), WAIT_S)
        sender.close()
        # MQTT 3.1.1 section 3.3: type 3, RETAIN in bit 0; length 4; topic of one byte; payload
        assert bytes([PUBLISH | 1, 4, 0, 1]) + b"ax" in broker.lines[0].received

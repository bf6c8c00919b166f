"""Real brokers of two makes, each in a process of its own, on ports the system chooses.

Sent to them with the library's own publisher, so that what a source reads went through a broker.
"""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from iotcore import Broker as IotcoreBroker
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

CHILD = Path(__file__).with_name("amqtt_child.py")
Sent = tuple[str, bytes, int, bool]  # topic, payload, QoS, retain


WAIT_S = 60.0  # for what must come; a machine may be busy


class Amqtt:
    """A broker in pure Python: MQTT 3.1.1, TLS, passwords, $SYS."""

    def __init__(self, **told: Any) -> None:
        self._told = told
        self.port = 0
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        _until_started(self._start)

    def _start(self) -> None:
        # its warnings are not ours
        command = [sys.executable, "-W", "ignore", str(CHILD)]
        self._process = subprocess.Popen(
            [*command, json.dumps({**self._told, "port": self.port})],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        said = self._process.stdout.readline()
        if not said:
            self.stop()
            raise OSError("the broker ended at once")
        self.port = int(said)

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            with self._process:
                pass
            self._process = None


class Iotcore:
    """A compiled broker: MQTT 3.1.1 or 5, TLS, passwords."""

    def __init__(self, protocol: str = "3.1.1", tls: dict[str, str] | None = None) -> None:
        self._protocol, self._tls = protocol, tls
        self.port = 0
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._broker: IotcoreBroker | None = None

    def start(self) -> None:
        is_first = not self.port
        _until_started(lambda: self._start(free_port() if is_first else self.port))

    def _start(self, port: int) -> None:
        self.stop()
        self.port = port
        self._folder = tempfile.TemporaryDirectory()
        path = Path(self._folder.name, "broker.toml")
        path.write_text(self._configuration(), "utf-8")
        self._broker = IotcoreBroker(config_path=str(path))
        self._broker.start(timeout=WAIT_S)

    def stop(self) -> None:
        if self._broker is not None:
            self._broker.stop()
            self._broker = None
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _configuration(self) -> str:
        server = f"v{self._protocol[0].replace('3', '4')}.1"
        lines = [
            "id = 0",
            "[router]",
            "id = 0",
            "max_connections = 100",
            "max_outgoing_packet_count = 200",
            "max_segment_size = 104857600",
            "max_segment_count = 10",
            f"[{server}]",
            'name = "tested"',
            f'listen = "127.0.0.1:{self.port}"',
            "next_connection_delay_ms = 1",
            f"[{server}.connections]",
            "connection_timeout_ms = 60000",
            "max_payload_size = 4194304",
            "max_inflight_count = 100",
            "dynamic_filters = true",
        ]
        if self._tls is not None:
            lines.append(f"[{server}.tls]")
            lines += [f"{key} = {json.dumps(value)}" for key, value in self._tls.items()]
        return "\n".join(lines)


def _until_started(start: Callable[[], None]) -> None:
    """Start, again for a while if a passing connection of others has the port."""
    pause, until_s = threading.Event(), time.monotonic() + WAIT_S
    while True:
        try:
            start()
        except (OSError, RuntimeError):
            if time.monotonic() > until_s:
                raise
            pause.wait(0.1)
        else:
            return


Real = Amqtt | Iotcore
Make = TypeVar("Make", bound=Real)


_senders = contextlib.ExitStack()


@contextlib.contextmanager
def running(broker: Make) -> Iterator[Make]:
    """The broker, started, and stopped in the end."""
    broker.start()
    try:
        yield broker
    finally:
        _senders.close()
        broker.stop()


def free_port() -> int:
    """A port nobody listens on."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@contextlib.contextmanager
def sender(
    port: int,
    *,
    protocol: str = "3.1.1",
    will: Sent | None = None,
    username: str | None = None,
    password: str | None = None,
) -> Iterator[Client]:
    """A connected client that publishes."""
    version = MQTTProtocolVersion.MQTTv5 if protocol == "5" else MQTTProtocolVersion.MQTTv311
    client = Client(
        CallbackAPIVersion.VERSION2, client_id="", protocol=version, reconnect_on_failure=False
    )
    if username is not None:
        client.username_pw_set(username, password)
    if will is not None:
        client.will_set(*will)
    let_in = threading.Event()
    client.on_connect = lambda *_: let_in.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert let_in.wait(WAIT_S)
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def send(
    port: int,
    *messages: Sent,
    protocol: str = "3.1.1",
    username: str | None = None,
    password: str | None = None,
) -> None:
    """Publish messages, and see them acknowledged where their QoS asks for it.

    The client stays until its broker is stopped: one that leaves may take messages with it that
    the broker has not passed on yet.
    """
    client = _senders.enter_context(
        sender(port, protocol=protocol, username=username, password=password)
    )
    for sent in [client.publish(*message) for message in messages]:
        sent.wait_for_publish(WAIT_S)

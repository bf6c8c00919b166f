"""Ports behind the network and loops: read to their last byte, and never written to."""

from __future__ import annotations

import random
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from console.bench.model import PrintsSource
from console.bench.ports import parsed_port
from console.sources.port import PortSource
from console.sources.port_stream import QueuePort, opened_stream
from console.sources.records import Chunk, HostClock, Record
from tests.console.sources.live import WAIT_S, Records

# The library still uses names of the standard library that are to go.
OLD_NAMES = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
SERVER = Path(__file__).with_name("rfc2217_server.py")


@pytest.fixture
def server() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(WAIT_S)
        yield listening


def url(server: socket.socket, scheme: str = "socket") -> str:
    return f"{scheme}://127.0.0.1:{server.getsockname()[1]}"


def started(port: str, records: Records) -> PortSource:
    source = PortSource(PrintsSource(name="board", port=port, retry=("100ms", "100ms")))
    source.start(records.put, HostClock())
    return source


def test_every_byte_of_a_socket_arrives(server: socket.socket) -> None:
    records, sent = Records(), random.Random(4).randbytes(1 << 20)
    source = started(url(server), records)
    client, _ = server.accept()
    with client:
        client.sendall(sent)
        records.wait_for_bytes(len(sent))
    source.stop()
    assert records.data() == sent


def test_the_last_bytes_before_a_socket_closes_arrive(server: socket.socket) -> None:
    records, sent = Records(), random.Random(5).randbytes(300_000)
    source = started(url(server), records)
    client, _ = server.accept()
    with client:
        client.sendall(sent)
    records.wait_for("closed")
    source.stop()
    assert records.data() == sent
    assert records.details("closed")[0] == "the other side closed the connection"


def test_a_socket_that_was_closed_is_connected_to_again(server: socket.socket) -> None:
    records = Records()
    source = started(url(server), records)
    for word in (b"one ", b"two"):
        client, _ = server.accept()
        with client:
            client.sendall(word)
    records.wait_for_bytes(7)
    source.stop()
    assert records.data() == b"one two"


def test_nothing_is_ever_written_to_a_socket(server: socket.socket) -> None:
    records = Records()
    source = started(url(server), records)
    client, _ = server.accept()
    with client:
        client.settimeout(WAIT_S)
        client.sendall(b"login: \xff\xfb\x01\x05")
        records.wait_for_bytes(11)
        source.stop()
        written = client.recv(1)
    assert written == b""


def test_all_that_a_socket_had_is_put_before_stopping_ends(server: socket.socket) -> None:
    records, blocked, go_on = Records(), threading.Event(), threading.Event()
    sent = random.Random(6).randbytes(30_000)  # less than what a connection takes unread

    def put(record: Record) -> None:
        records.put(record)
        if isinstance(record, Chunk) and not blocked.is_set():
            blocked.set()
            go_on.wait(WAIT_S)

    source = PortSource(PrintsSource(name="board", port=url(server)))
    source.start(put, HostClock())
    client, _ = server.accept()
    with client:
        client.sendall(b"first")
        assert blocked.wait(WAIT_S)
        client.sendall(sent)
        stopping = threading.Thread(target=source.stop, args=(WAIT_S,))
        stopping.start()
        go_on.set()
        stopping.join(WAIT_S)
    assert records.data() == b"first" + sent


def test_a_silent_socket_is_stopped_at_once(server: socket.socket) -> None:
    records = Records()
    source = started(url(server), records)
    with server.accept()[0]:
        records.wait_for("opened")
        source.stop()
    assert (records.happened(), source.state().state) == (["opened", "closed"], "closed")


@OLD_NAMES
def test_rfc2217_asks_for_speed_and_format_and_writes_nothing_to_the_line() -> None:
    sent = bytes(range(256)) * 40  # 0xFF has a meaning in that protocol
    records = Records()
    with subprocess.Popen(
        [sys.executable, "-W", "ignore", SERVER], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        number = int(child.stdout.readline())
        settings = PrintsSource(
            name="board", port=f"rfc2217://127.0.0.1:{number}", baud=57_600, data_bits=7,
            parity="even", retry=("1h", "1h"),
        )  # fmt: skip
        source = PortSource(settings)
        source.start(records.put, HostClock())
        records.wait_for("opened")
        child.stdin.write(sent)
        child.stdin.close()
        records.wait_for("closed")
        source.stop()
        told = child.stdout.read().decode().split()
    assert records.data() == sent
    assert told == ["nothing", "57600", "7", "E"]


@OLD_NAMES
def test_what_does_not_speak_rfc2217_is_told(server: socket.socket) -> None:
    records = Records()
    source = started(f"{url(server, 'rfc2217')}?timeout=0.2", records)
    client, _ = server.accept()
    with client:
        records.wait_for("refused")
    source.stop(WAIT_S)
    assert records.details("refused")[0].startswith(
        "what answers there does not speak RFC 2217 as asked. If it sends plain bytes, write "
    )


def test_a_loop_is_silent_and_stops_at_once() -> None:
    records = Records()
    source = started("loop://", records)
    records.wait_for("opened")
    source.stop()
    assert (records.data(), records.happened()) == (b"", ["opened", "closed"])


def test_what_is_put_into_a_loop_comes_out() -> None:
    opened = opened_stream(parsed_port("loop://"), PrintsSource(name="board", port="loop://"))
    assert isinstance(opened, QueuePort)
    opened._port.write(b"round and round")
    got = opened.wait() + opened.rest()
    opened.close()
    assert got == b"round and round"

from __future__ import annotations

import socket

import msgspec
import pytest

from console.bench.model import MessagesSource
from console.sources.broker_client import aim, client_for
from console.sources.broker_secret import Secret
from console.sources.broker_stream import Stream

SOURCE = MessagesSource(name="broker", host="127.0.0.1", username="op", password_env="P")
SOURCE_5 = msgspec.structs.replace(SOURCE, protocol="5")


def connect_packet(source: MessagesSource) -> bytes:
    """What a client of a source sends first."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = client_for(source, Secret("pomace"), None, 30.0)
        port = server.getsockname()[1]
        aim(client, msgspec.structs.replace(source, port=port), again=False)
        client.reconnect()
        far, _ = server.accept()
        with far:
            packet = far.recv(1000)
        assert client.stream is not None
        client.stream.close()
    return packet


def test_the_library_reads_from_a_stream_of_ours() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = client_for(SOURCE, None, None, 30.0)
        client.connect_async("127.0.0.1", server.getsockname()[1])
        client.reconnect()
        assert isinstance(client.socket(), Stream)
        assert client.socket() is client.stream
        assert client.stream is not None
        client.stream.close()


# MQTT 3.1.1 section 3.1.3.1: what every broker must take as a client id
def test_a_client_id_that_is_made_up_is_one_for_every_broker() -> None:
    packet = connect_packet(SOURCE)
    length = int.from_bytes(packet[12:14], "big")
    client_id = packet[14 : 14 + length].decode()
    assert 1 <= len(client_id) <= 23
    assert client_id.isalnum()
    assert client_id != connect_packet(SOURCE)[14 : 14 + length].decode()


# MQTT 3.1.1 section 3.1.2.3: will flag 0x04, will QoS 0x18, will retain 0x20
@pytest.mark.parametrize("source", [SOURCE, SOURCE_5], ids=["3.1.1", "5"])
def test_no_will_is_left_with_the_broker(source: MessagesSource) -> None:
    assert connect_packet(source)[9] & 0x3C == 0

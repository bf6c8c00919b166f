"""A client of the MQTT library, made and aimed as a bench file says."""

from __future__ import annotations

import ssl
import uuid

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from console.bench.model import MessagesSource
from console.sources.broker_secret import Secret
from console.sources.broker_stream import Stream, connected


class StreamClient(Client):
    """The library's client, over connections of our own making.

    `_create_socket` is the one member of the library that is replaced though it is not public: it
    has no other way to be given a socket. A test holds that it is called.
    """

    stream: Stream | None = None
    context: ssl.SSLContext | None = None

    def _create_socket(self) -> Stream:
        sock = connected(self.host, self.port, self.context, self.connect_timeout)
        self.stream = Stream(sock, is_5=self.protocol == MQTTProtocolVersion.MQTTv5)
        return self.stream


def client_for(
    source: MessagesSource,
    password: Secret | None,
    context: ssl.SSLContext | None,
    patience_s: float,
) -> StreamClient:
    """A client that is not connected yet; it has no will, and publishes nothing.

    Args:
        source: the broker.
        password: to log in with.
        context: TLS, if it is to be used.
        patience_s: for the network and for the handshake of TLS, each.
    """
    is_5 = source.protocol == "5"
    client = StreamClient(
        CallbackAPIVersion.VERSION2,
        # 3.1.1 section 3.1.3.1: up to 23 letters and digits are taken by every broker
        client_id=source.client_id or f"lastack{uuid.uuid4().hex[:12]}",
        clean_session=None if is_5 else source.clean,
        protocol=MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,  # or it would try MQTT 3.1 by itself
    )
    client.connect_timeout = patience_s
    if source.username is not None or password is not None:
        client.username_pw_set(source.username, password.reveal() if password else None)
    client.context = context
    return client


def aim(client: Client, source: MessagesSource, *, again: bool) -> None:
    """Tell a client where its next `reconnect` goes.

    Args:
        client: what `client_for` made.
        source: the broker.
        again: whether it was connected before, in this recording. A session of MQTT 5 that the
            broker keeps is taken up then, though it began clean.
    """
    host, port, keepalive_s = source.host or "", source.broker_port, source.keepalive_s
    if source.protocol != "5":
        client.connect_async(host, port, keepalive_s)
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = source.session_expiry_s
    client.connect_async(
        host,
        port,
        keepalive_s,
        clean_start=source.clean and not (again and source.session_expiry_s),
        properties=properties,
    )

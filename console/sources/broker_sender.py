"""Publishing to a broker, over a connection apart from the one that is recorded."""

from __future__ import annotations

import contextlib
import os
import socket
import ssl
import threading
import time
import uuid
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from console.bench.broker import Tls
from console.bench.model import MessagesSource
from console.sources.broker_secret import LookUp, Secret
from console.sources.broker_tls import tls_context
from console.sources.broker_words import no_connection, refused, where
from console.sources.records import HostClock
from console.sources.sender import Outgoing, Publication, SendError, Sent
from console.sources.transmit import Transmit
from decoders.errors import DiagnosticError, Place

_TURN_S = 0.005  # how soon the end of the right to send is noticed


class BrokerSender:
    """A `Sender` to one broker. It connects when it first sends, by a clean session.

    Args:
        source: the broker as the bench has it; its login and TLS are used, its client id is not.
        right: to send.
        clock: the recorder's.
        look_up: of environment variables, for passwords.
    """

    def __init__(
        self,
        source: MessagesSource,
        right: Transmit,
        clock: HostClock,
        look_up: LookUp = os.environ.get,
    ) -> None:
        self._source, self._right, self._clock = source, right, clock
        self._look_up = look_up
        self._link: _Link | None = None

    def send(self, what: Outgoing, timeout_s: float) -> Sent:
        """See `Sender`."""
        if not isinstance(what, Publication):
            raise TypeError(f"a broker is not sent {what!r}")
        until_s = time.monotonic() + timeout_s
        try:
            link = self._connected(until_s)
            if self._right.is_over:
                raise self._error("sending was stopped")
            began_ns = self._clock()
            info = link.client.publish(what.topic, what.payload, what.qos, what.retain)
            self._await(link, info, until_s)
        except SendError:
            self.close()
            raise
        except DiagnosticError as error:
            raise self._error(error.message, error.mend) from error
        except (OSError, ValueError, RuntimeError) as error:
            self.close()
            raise self._error(str(no_connection(error, self._source, timeout_s))) from error
        return Sent(began_ns, self._clock())

    def close(self) -> None:
        """See `Sender`."""
        if self._link is not None:
            self._link.drop()
            self._link = None

    def _connected(self, until_s: float) -> _Link:
        """The connection, made where there is none or it broke."""
        if self._link is not None and self._link.client.is_connected():
            return self._link
        self.close()
        self._check(until_s, "to connect")
        source = self._source
        password = None
        if source.password_env is not None:
            password = Secret.looked_up(source.password_env, self._look_up)
        tls = Tls() if source.tls is True else source.tls
        context = tls_context(tls, self._look_up) if isinstance(tls, Tls) else None
        link = self._link = _Link(source, password, context)
        link.connect(max(0.1, until_s - time.monotonic()))
        while link.answer is None:
            if link.is_broken:
                raise self._error(f"{where(source)} closed without letting us in")
            self._check(until_s, "to be let in")
        if link.answer.is_failure:
            raise self._error(refused(link.answer.value, str(link.answer), source))
        return link

    def _await(self, link: _Link, info: MQTTMessageInfo, until_s: float) -> None:
        """Wait until the message is out, and acknowledged where its QoS asks for that."""
        if info.rc not in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_NO_CONN):
            raise self._error(f"it was not taken ({info.rc.name})")
        while not info.is_published():
            if link.is_broken:
                raise self._error("the connection broke before the broker acknowledged it")
            self._check(until_s, "to be acknowledged")
        reason = link.acknowledged.get(info.mid)
        if reason is not None and reason.is_failure:
            raise self._error(refused(reason.value, str(reason), self._source))

    def _check(self, until_s: float, what: str) -> None:
        """Wait a little; no longer than until the time is over, or the right to send."""
        if self._right.is_over or self._right.pause(_TURN_S):
            raise self._error("sending was stopped")
        if time.monotonic() > until_s:
            raise self._error(f"it took too long {what}")

    def _error(self, message: str, mend: str = "") -> SendError:
        return SendError(message, place=Place(where(self._source)), mend=mend)


class _Link:
    """One connection, served by the library's thread until it breaks; it is not made again."""

    def __init__(
        self, source: MessagesSource, password: Secret | None, context: ssl.SSLContext | None
    ) -> None:
        self._source = source
        is_5 = source.protocol == "5"
        self.client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"lastack{uuid.uuid4().hex[:12]}",
            clean_session=None if is_5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,  # or what is left over would be sent again
        )
        if source.username is not None or password is not None:
            self.client.username_pw_set(source.username, password.reveal() if password else None)
        if context is not None:
            self.client.tls_set_context(context)
        self.client.on_connect = self._on_connect
        self.client.on_publish = self._on_publish
        self.answer: ReasonCode | None = None  # to the wish to be let in
        self.acknowledged: dict[int, ReasonCode] = {}  # the last ones, by packet id
        self._runs = False

    @property
    def is_broken(self) -> bool:
        """Whether the connection is gone."""
        return self.client.socket() is None

    def connect(self, timeout_s: float) -> None:
        """Open the connection.

        Raises:
            OSError, ValueError: if there is none.
        """
        source = self._source
        self.client.connect_timeout = timeout_s
        self.client.connect(source.host or "", source.broker_port, source.keepalive_s)
        self.client.loop_start()
        self._runs = True

    def drop(self) -> None:
        """Close it at once: what is still queued in it is not sent."""
        sock: Any = self.client.socket()
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        if self._runs:
            ender = threading.Thread(target=self.client.loop_stop, daemon=True)
            ender.start()
            ender.join(2.0)

    def _on_connect(
        self,
        _client: Client,
        _data: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.answer = reason

    def _on_publish(
        self,
        _client: Client,
        _data: object,
        packet_id: int,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.acknowledged = {packet_id: reason}

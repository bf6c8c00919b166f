"""One MQTT client and its one connection at a time, read by whoever calls `turn`.

The library has a thread of its own for this, but that thread reads one packet a turn, waits by
rules of its own and dies without a word when something raises. Its calls for a loop of one's own
(`reconnect`, `loop_read`, `loop_write`, `loop_misc`) leave all of that to the caller.

Nothing is ever published: the one packet types that leave are CONNECT, SUBSCRIBE, PINGREQ,
DISCONNECT and the acknowledgements of what came.
"""

from __future__ import annotations

import selectors
import ssl
import time
from collections.abc import Callable
from typing import TypeVar

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from console.bench.model import MessagesSource
from console.sources.broker_client import aim, client_for
from console.sources.broker_hearing import Hearing
from console.sources.broker_secret import Secret
from console.sources.broker_stream import Plain, Stream
from console.sources.broker_words import denied, ended, no_answer, no_connection, refused, where
from console.sources.records import Happening

T = TypeVar("T")
Tell = Callable[[Happening, str], None]


class BrokerLink:
    """A connection to a broker that asks for topics and passes on what comes.

    All of it is called from one thread; `on_message` and `tell` are called within `turn`.

    Args:
        source: the broker.
        password: to log in with.
        context: TLS, if it is to be used.
        on_message: takes a message; may raise, which counts the message as lost.
        on_plain: takes a message of QoS 0; the same.
        tell: takes what happened.
        patience_s: how long an answer of the broker is waited for.
    """

    def __init__(
        self,
        source: MessagesSource,
        password: Secret | None,
        context: ssl.SSLContext | None,
        on_message: Callable[[MQTTMessage], None],
        on_plain: Callable[[Plain], None],
        tell: Tell,
        patience_s: float,
    ) -> None:
        self._source = source
        self._on_message_told, self._on_plain_told = on_message, on_plain
        self._tell = tell
        self._patience_s = patience_s
        self._is_5 = source.protocol == "5"
        self._hearing = Hearing()
        self._client = client_for(source, password, context, patience_s)
        self._client.enable_logger(self._hearing)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.on_disconnect = self._on_disconnect
        self._selector: selectors.BaseSelector | None = None
        self._stream: Stream | None = None
        self._answer_by: float | None = None  # monotonic s; None: no answer is waited for
        self._asked: int | None = None  # packet id of the subscription not answered yet
        self._subscribed = False  # in the session the broker keeps
        self.alive = False  # whether there is a connection
        self.accepted = False  # by the broker, on this connection
        self.granted = False  # at least one topic, on any connection
        self.why = ""  # it ended
        self.lost = 0  # messages known to be missing

    def connect(self) -> None:
        """Open the connection and ask to be let in; the answer comes in `turn`.

        Raises:
            OSError, ValueError: if there is no connection.
        """
        source = self._source
        self.accepted, self.why, self._hearing.trouble = False, "", None
        self._asked = None
        aim(self._client, source, again=self.granted)
        self._client.reconnect()
        self.alive = True
        self._stream = self._client.stream
        if (
            self._stream is None or self._client.socket() is None
        ):  # gone again before it could be asked anything
            self._end(self._broken())
            self._drop()
            return
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._stream, selectors.EVENT_READ)
        self._answer_by = time.monotonic() + self._patience_s

    def turn(self, timeout_s: float) -> bool:
        """Read what has come, or wait for it; answer and keep the connection alive.

        Args:
            timeout_s: the longest wait.

        Returns:
            Whether there was something to read.
        """
        try:
            came = self._wait(timeout_s)
            if came and self._stream is not None:
                self._read(self._stream)
            if self._client.want_write():
                self._client.loop_write()
            self._client.loop_misc()
        except Exception as error:  # the library's; it must not end the recording
            self._end(f"what came could not be read: {type(error).__name__}: {error}")
            came = False
        if self._answer_by is not None and time.monotonic() > self._answer_by:
            self._end(str(no_answer(self._source, self._patience_s, accepted=self.accepted)))
        if self._client.socket() is None:
            self._end(self._broken())
        if self.why:
            self._drop()
        return came

    def close(self) -> None:
        """Say goodbye and close."""
        if self.alive and not self.why:
            self.why = "the recording ends"
            if self.accepted:
                self._client.disconnect()
        self._drop()

    def _wait(self, timeout_s: float) -> bool:
        stream, selector = self._stream, self._selector
        if stream is None or selector is None:
            return False
        if stream.pending():
            return True
        events = selectors.EVENT_READ
        if self._client.want_write():
            events |= selectors.EVENT_WRITE
        selector.modify(stream, events)
        return any(mask & selectors.EVENT_READ for _, mask in selector.select(timeout_s))

    def _read(self, stream: Stream) -> None:
        """Take what has come: plain messages here, the rest by way of the library."""
        if not stream.handed:
            stream.fill()
        while True:
            if not stream.handed:
                for plain in stream.plain():
                    self._pass_on(self._on_plain_told, plain)
                if not stream.hand_over():
                    return
            left = stream.handed
            self._client.loop_read()
            self._look_for_loss()
            if self.why or self._client.socket() is None or stream.handed >= left:
                return  # over; or the rest of the packet has not come yet

    def _look_for_loss(self) -> None:
        packet_id = self._hearing.released_unseen()
        if packet_id is not None:
            self.lost += 1
            words = f"the broker ended the hand-over of a QoS 2 message (packet id {packet_id}) "
            self._tell("lost", words + "that had come before this recording began")

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        if message.qos == 2:
            self._hearing.passed_on(message.mid)
        self._pass_on(self._on_message_told, message)

    def _pass_on(self, take: Callable[[T], None], message: T) -> None:
        try:
            take(message)
        except Exception as error:  # raising here would stop the library; told, and counted
            self.lost += 1
            self._tell("lost", f"a message could not be kept: {type(error).__name__}: {error}")

    def _on_connect(
        self,
        _client: Client,
        _data: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self.accepted:
            return  # a second CONNACK is the broker's mistake, and nothing new
        source = self._source
        said = str(getattr(properties, "ReasonString", ""))
        if reason.is_failure:
            moved = str(getattr(properties, "ServerReference", ""))
            self._end(refused(reason.value, str(reason), source, said, moved))
            return
        self.accepted, self._answer_by = True, None
        session = "session taken up" if flags.session_present else "new session"
        tls = ", TLS" if source.tls else ""
        self._tell("opened", f"{where(source)}, MQTT {source.protocol}{tls}, {session}")
        if not flags.session_present:
            self._new_session()
        if not self._subscribed:
            self._subscribe()

    def _new_session(self) -> None:
        source = self._source
        if self._subscribed and (source.session_expiry_s if self._is_5 else not source.clean):
            self._tell("note", "the broker forgot the session: what it kept meanwhile is gone")
        self._subscribed = False
        missing = self._hearing.session_ended()
        if missing:
            self.lost += missing
            words = f"QoS 2 messages half handed over when the last session ended: {missing}"
            self._tell("lost", words)

    def _subscribe(self) -> None:
        self._answer_by = time.monotonic() + self._patience_s
        _, self._asked = self._client.subscribe(list(self._source.subscriptions.items()))

    def _on_subscribe(
        self,
        _client: Client,
        _data: object,
        packet_id: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        if packet_id != self._asked:
            return
        self._asked = self._answer_by = None
        wanted = self._source.subscriptions
        answers = list(zip(wanted.items(), reasons, strict=False))
        granted = [
            f"{topic}: QoS {reason.value}"
            + (f" ({asked} was asked for)" if reason.value < asked else "")
            for (topic, asked), reason in answers
            if not reason.is_failure
        ]
        if granted:
            self._subscribed = self.granted = True
            self._tell("subscribed", ", ".join(granted))
        said = str(getattr(properties, "ReasonString", ""))
        for (topic, _), reason in answers:
            if reason.is_failure:
                words = denied(topic, reason.value, str(reason), self._source, said)
                self._tell("refused", words)
        if not granted:
            self._end("the broker lets none of the topics be read. Look at topics")

    def _on_disconnect(
        self,
        _client: Client,
        _data: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            said = str(getattr(properties, "ReasonString", ""))
            moved = str(getattr(properties, "ServerReference", ""))
            self._end(ended(reason.value, str(reason), self._source, said, moved))
        elif reason == "Keep alive timeout":
            self._end(f"the broker was silent, though asked, for {self._source.keepalive_s} s")
        elif reason == "Protocol error" and self._hearing.trouble is not None:
            self._end(f"what came is no MQTT {self._source.protocol}: {self._hearing.trouble}")
        else:
            self._end(self._broken())

    def _broken(self) -> str:
        """Why a connection is gone that nobody ended in words."""
        trouble = self._hearing.trouble
        if not self.accepted:
            cause = trouble if isinstance(trouble, ssl.SSLError) else ConnectionResetError()
            return str(no_connection(cause, self._source, self._patience_s))
        return f"the connection broke: {trouble}" if trouble else "the broker closed it"

    def _end(self, why: str) -> None:
        """Note why it ended; the first reason stands."""
        if self.alive and not self.why:
            self.why = why

    def _drop(self) -> None:
        self.alive, self._answer_by = False, None
        if self._selector is not None:
            self._selector.close()
            self._selector = None
        if self._stream is not None:
            self._stream.close()
            self._stream = None

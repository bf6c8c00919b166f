"""Messages of a broker as they come, by MQTT 3.1.1 or 5.

A thread of its own connects, reads and connects again, with growing waits, until stopped. What
happens to the connection stands among the messages as records of its own. A message is stamped when
it was read off the socket; one of QoS 2, which is passed on a round trip later, with that time too,
but never with one before the record in front of it.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from typing import Literal

from paho.mqtt.client import MQTTMessage

from console.bench.broker import Tls
from console.bench.model import MessagesSource
from console.sources.broker_link import BrokerLink
from console.sources.broker_properties import in_text
from console.sources.broker_secret import LookUp, Secret
from console.sources.broker_stream import Plain
from console.sources.broker_tls import tls_context
from console.sources.broker_words import no_connection, where
from console.sources.records import (
    Arrived,
    Happened,
    Happening,
    HostClock,
    Record,
    SourceState,
)
from decoders.durations import in_words
from decoders.errors import DiagnosticError

_TURN_S = 0.1  # how soon a stop is noticed
_DRAIN_S = 0.5  # at most, for what had come when it was stopped
_TOPICS = 4096  # most of those whose text is remembered
_STEADY_S = 30.0  # a connection that lasted is followed by the first wait again


class BrokerSource:
    """A `LiveSource` over one broker.

    Args:
        source: the broker; has a host.
        look_up: of environment variables, for passwords.
        patience_s: how long an answer is waited for: of the network, of TLS, of the broker.

    Raises:
        ValueError: if the source has no host.
    """

    def __init__(
        self,
        source: MessagesSource,
        look_up: LookUp = os.environ.get,
        *,
        patience_s: float = 10.0,
    ) -> None:
        if source.host is None:
            raise ValueError(f"source {source.name!r} has no host")
        self._source = source
        self._look_up = look_up
        self._patience_s = patience_s
        self._password: Secret | None = None
        self._link: BrokerLink | None = None
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._left_behind = False  # the thread did not end in time: nothing more is put
        self._state: Literal["opening", "open", "waiting", "failed", "closed"] = "opening"
        self._why = ""
        self._records = self._bytes = self._unput = self._unput_told = 0
        self._last_ns: int | None = None  # of a message
        self._put_ns = 0  # of whatever was put last
        self._odd_topic_told = False
        self._topics: dict[bytes, str] = {}  # decoded before

    def start(self, put: Callable[[Record], None], clock: HostClock) -> None:
        """Begin; returns at once.

        Args:
            put: takes every record, in the source's thread.
            clock: the recorder's.
        """
        self._put_one, self._clock = put, clock
        self._thread = threading.Thread(
            target=self._run, name=f"broker {self._source.name}", daemon=True
        )
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End: what had come is put, then goodbye is said to the broker."""
        self._stopping.set()
        if self._thread is None:
            return
        self._thread.join(timeout_s)
        self._left_behind = self._thread.is_alive()  # looking up a name cannot be broken off
        if self._state != "failed":
            self._state = "closed"

    def state(self) -> SourceState:
        """How it is."""
        state, why = self._state, self._why
        if state in ("open", "opening", "waiting") and self._is_dead():
            state, why = "failed", "the reading thread is gone"
        return SourceState(
            self._source.name,
            "messages",
            where(self._source),
            state,
            why,
            self._records,
            self._bytes,
            self._unput + (self._link.lost if self._link else 0),
            self._last_ns,
        )

    def _is_dead(self) -> bool:
        return self._thread is not None and not self._thread.is_alive()

    def _run(self) -> None:
        """The thread."""
        attempts = 0
        try:
            while not self._stopping.is_set():
                began_s = time.monotonic()
                again = self._one_connection()
                if not again or self._stopping.is_set():
                    break
                attempts = 0 if time.monotonic() - began_s > _STEADY_S else attempts
                self._wait(attempts)
                attempts += 1
        except Exception as error:  # ours to mend, but not to be passed over in silence
            self._fail(f"the reading of messages failed: {type(error).__name__}: {error}")
        finally:
            if self._link is not None:
                self._link.close()
            if self._state != "failed":
                self._state = "closed"

    def _one_connection(self) -> bool:
        """Connect and read until it ends; whether it is worth trying again."""
        self._state = "opening"
        source = self._source
        try:
            if source.password_env is not None and self._password is None:
                self._password = Secret.looked_up(source.password_env, self._look_up)
        except DiagnosticError as error:
            self._fail(f"{error.message}. {error.mend}")  # the environment stays as it is
            return False
        try:
            link = self._link = self._link or self._made()
            link.connect()
        except DiagnosticError as error:
            return self._refused(f"{error.message}. {error.mend}")
        except (OSError, ValueError) as error:
            return self._refused(str(no_connection(error, source, self._patience_s)))
        while link.alive and not self._stopping.is_set():
            link.turn(_TURN_S)
        if link.alive:
            self._drain(link)
        if link.accepted:
            self._tell("closed", link.why)
        if self._stopping.is_set():
            return False
        if not link.accepted:
            return self._refused(link.why)
        return link.granted or not source.required or self._fail(link.why)

    def _made(self) -> BrokerLink:
        tls = Tls() if self._source.tls is True else self._source.tls
        return BrokerLink(
            self._source,
            self._password,
            tls_context(tls, self._look_up) if isinstance(tls, Tls) else None,
            self._arrived,
            self._plain_arrived,
            self._tell,
            self._patience_s,
        )

    def _drain(self, link: BrokerLink) -> None:
        """Take what has come already, and end the connection."""
        until_s = time.monotonic() + _DRAIN_S
        while link.turn(0.0) and time.monotonic() < until_s:
            pass
        link.close()

    def _refused(self, why: str) -> bool:
        """Tell that it cannot be opened; whether it is worth trying again."""
        if self._source.required and not (self._link and self._link.granted):
            return self._fail(why)
        self._tell("refused", why)
        return True

    def _fail(self, why: str) -> bool:
        """Tell that it cannot be opened and that this is the end of it; always False."""
        self._tell("refused", why)
        self._state = "failed"
        return False

    def _wait(self, attempts: int) -> None:
        """Wait before the next try: twice as long each time, up to the longest wait."""
        first_ns, longest_ns = self._source.retry_ns
        delay_ns = min(first_ns << min(attempts, 30), longest_ns)
        self._state = "waiting"
        self._tell("retry", f"in {in_words(delay_ns)}")
        self._stopping.wait(delay_ns / 1e9)

    def _tell(self, what: Happening, detail: str) -> None:
        if self._password is not None:
            detail = self._password.hidden_in(detail)
        if what == "opened":
            self._state, self._why = "open", ""
            self._odd_topic_told = False
        elif what == "refused" or (what == "closed" and not self._stopping.is_set()):
            self._why = detail
        self._put(Happened(self._source.name, self._clock(), what, detail))

    def _arrived(self, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError as error:
            topic = self._odd_topic(error.object)
        self._keep(
            Arrived(
                self._source.name,
                self._stamp(message.timestamp),
                topic,
                bytes(message.payload),
                message.qos,
                bool(message.retain),
                bool(message.dup),
                in_text(message.properties),
            )
        )

    def _plain_arrived(self, message: Plain) -> None:
        topic = self._topics.get(message.topic)
        if topic is None:
            try:
                topic = message.topic.decode()
            except UnicodeDecodeError:
                topic = self._odd_topic(message.topic)
            if len(self._topics) < _TOPICS:
                self._topics[message.topic] = topic
        t_ns = self._stamp(message.monotonic_s)
        payload, retain, duplicate = message.payload, message.retain, message.duplicate
        self._keep(Arrived(self._source.name, t_ns, topic, payload, 0, retain, duplicate))

    def _stamp(self, monotonic_s: float) -> int:
        """When it was read, but not before what was put in front of it."""
        return max(self._clock.of_monotonic(round(monotonic_s * 1e9)), self._put_ns)

    def _keep(self, record: Arrived) -> None:
        if self._put(record):
            self._records += 1
            self._bytes += len(record.payload)
            self._last_ns = record.t_ns
        else:
            self._unput += 1

    def _odd_topic(self, raw: bytes) -> str:
        """A topic that is no UTF-8, which [MQTT-1.5.3-1] forbids: its odd bytes as escapes."""
        topic = raw.decode("utf-8", "backslashreplace")
        if not self._odd_topic_told:
            self._odd_topic_told = True
            self._tell("note", f"a topic is not UTF-8: {topic}")
        return topic

    def _put(self, record: Record) -> bool:
        """Hand a record on; whether it was taken. What was not is told once one is again."""
        if self._left_behind:
            return False
        try:
            self._put_one(record)
        except Exception as error:  # the recorder's trouble must not end the reading
            self._why = f"messages cannot be kept: {type(error).__name__}: {error}"
            return False
        self._put_ns = record.t_ns
        untold, self._unput_told = self._unput - self._unput_told, self._unput
        if untold:
            self._tell("lost", f"messages that could not be kept: {untold}")
        return True

"""One network capture, from file bytes to messages and what happened to connections: a fold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from console.trust.sheet import TrustRow
from decoders.captures.pcap_frames import FrameReader
from decoders.errors import DiagnosticError
from decoders.messages.columns import DIRECTIONS, Messages
from decoders.messages.mqtt_happenings import ConnectionEvent

Int64s = npt.NDArray[np.int64]

_TO_BROKER = DIRECTIONS.index("to-broker")


class NetworkStage:
    """Feed it the bytes of a network capture; after `finish` it has the rows.

    Args:
        reader: of the file's bytes.
    """

    bad_lines: Sequence[tuple[int, str]] = ()
    bad_count = 0

    def __init__(self, reader: FrameReader) -> None:
        # Twenty modules of decoders, which a run without a network capture does not wait for.
        from decoders.messages.mqtt_capture import NetworkDecoder

        self._fold = NetworkDecoder(reader)
        self._messages: list[Messages] = []
        self.connection_events: list[ConnectionEvent] = []

    def feed(self, chunk: bytes) -> None:
        """Take the next bytes of the file."""
        rows = self._fold.feed(chunk)
        if len(rows.messages):
            self._messages.append(rows.messages)
        self.connection_events += rows.events

    def finish(self) -> None:
        """Take what was left; feed nothing after this."""
        for rows in self._fold.finish():
            if len(rows.messages):
                self._messages.append(rows.messages)
            self.connection_events += rows.events

    @property
    def events(self) -> int:
        """MQTT control packets so far."""
        return self._fold.mqtt.sessions.packets

    @property
    def assumed(self) -> list[str]:
        """What was found in it, and assumed to read it."""
        return self._fold.remarks

    @property
    def stopped(self) -> DiagnosticError | None:
        """Where a capture that was good at first went bad."""
        return self._fold.stopped

    def columns(self) -> Messages:
        """All messages, joined once; `line` is the number of the frame that completed one."""
        self._messages = [Messages.concat(self._messages)]
        return self._messages[0]

    def native_ns(self) -> Int64s:
        """The times of its messages, and then those of its first and its last frame."""
        facts = self._fold.reader.facts
        ends = [] if facts.first_ns is None else [facts.first_ns, facts.last_ns]
        return np.concatenate([self.columns().t_ns, np.array(ends, np.int64)])

    @property
    def has_sent(self) -> bool:
        """Whether messages were captured on their way to the broker."""
        return bool((self.columns().direction == _TO_BROKER).any())

    def once(self) -> Int64s:
        """The rows on their way to the broker; all where none was captured on it.

        A message passes the wire once to the broker and once more to every subscriber.
        """
        sent = np.flatnonzero(self.columns().direction == _TO_BROKER)
        return sent if len(sent) else np.arange(len(self.columns()))

    def sent(self, which: Int64s) -> Messages:
        """Some messages, without RETAIN: towards the broker it says nothing of their age."""
        rows = self.columns().in_order(which)
        return replace(rows, retain=np.zeros_like(rows.retain))

    def remembered(self) -> Messages:
        """All messages, with RETAIN only where it says that a message is the broker's memory."""
        rows = self.columns()
        return replace(rows, retain=rows.retain & (rows.direction != _TO_BROKER))

    def holes(self, source: str) -> Iterator[TrustRow]:
        """Where bytes of MQTT were sent and not captured, on its own clock."""
        for hole in self._fold.mqtt.holes:
            what = f"{hole.missing:,} bytes of {hole.client} were sent and not captured"
            yield TrustRow(
                source,
                hole.from_ns,
                hole.until_ns,
                "lost",
                "doubtful",
                what,
                float(hole.missing),
                unit="bytes",
            )

"""MQTT in a network capture: from the bytes of the file to messages and happenings."""

from __future__ import annotations

from collections.abc import Iterator

from decoders.captures.pcap_frames import FrameReader
from decoders.captures.tcp_segments import SegmentDecoder
from decoders.captures.tcp_streams import TcpStreams
from decoders.errors import CaptureError
from decoders.messages.mqtt_handshakes import Tally
from decoders.messages.mqtt_traffic import MqttDecoder, MqttRows


class NetworkDecoder:
    """A fold from the bytes of a network capture to what MQTT was in it, however they are cut.

    Memory is bounded: the chunk, one frame, so many connections, and of each what waits for lost
    segments, one unfinished packet each way, and its handshakes.

    Args:
        reader: of the file's bytes.
    """

    def __init__(self, reader: FrameReader) -> None:
        self.reader = reader
        self.segments = SegmentDecoder()
        self.streams = TcpStreams()
        self.mqtt = MqttDecoder()

    @property
    def stopped(self) -> CaptureError | None:
        """Where a capture that was good at first went bad."""
        return self.reader.stopped

    def feed(self, chunk: bytes) -> MqttRows:
        """Take the next bytes; return what they held.

        Raises:
            CaptureError: if the file cannot be read at all.
        """
        frames = self.reader.feed(chunk)
        return self.mqtt.feed(self.streams.feed(self.segments.feed(frames)))

    def finish(self) -> list[MqttRows]:
        """Return what was left; feed nothing after this. Raises as `feed` does."""
        frames = self.reader.finish()
        parts = self.streams.feed(self.segments.feed(frames))
        self.segments.finish()
        rest = self.mqtt.feed([*parts, *self.streams.finish()])
        return [rest, self.mqtt.finish()]

    @property
    def remarks(self) -> list[str]:
        """What was found and assumed, for people."""
        return list(self._remarks())

    def _remarks(self) -> Iterator[str]:
        yield self._what_is_in_it()
        for kind, tally in sorted(self.mqtt.sessions.handshakes.items()):
            yield _handshakes(kind, tally)
        mqtt, streams, files = self.mqtt.facts, self.streams.facts, self.reader.facts
        told = [
            (mqtt.begun_before, "of the connections began before the capture"),
            (mqtt.tls, "connections are encrypted (TLS) and cannot be read"),
            (files.cut_frames, "frames were not captured whole: capture with a larger snap length"),
            (files.timeless, "frames have no time of their own: taken as that of the one before"),
            (streams.missing, "bytes of TCP were not captured"),
            (streams.repeated, "TCP segments were sent again"),
            (streams.reordered, "TCP segments came out of order"),
            (streams.let_go, "connections were let go: too many at a time"),
            (self.segments.fragments.fragments, "fragments of IP packets were put together"),
            (self.segments.fragments.given_up, "IP packets in fragments lack some of them"),
            (self.segments.facts.headless, "TCP segments were captured without their whole header"),
        ]
        yield from (f"{count:,} {what}" for count, what in told if count)
        links = sorted(self.segments.facts.links)
        if links:
            yield f"frames of link type {', '.join(map(str, links))} are not read"
        yield from files.remarks

    def _what_is_in_it(self) -> str:
        frames, connections = self.reader.facts.frames, self.mqtt.facts.connections
        others = self.streams.facts.connections - connections
        words = f"{frames:,} frames; {connections:,} MQTT connection{'s' * (connections != 1)}"
        return words + (f" ({others:,} TCP connections carry something else)" if others else "")


def _handshakes(kind: str, tally: Tally) -> str:
    words = f"{kind}: {tally.completed:,} handshake{'s' * (tally.completed != 1)} completed"
    for count, what in ((tally.refused, "refused"), (tally.unfinished, "not completed")):
        words += f", {count:,} {what}" if count else ""
    return words

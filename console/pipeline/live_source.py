"""One recorded source, from its records to rows: a fold, the same live and from a stored run.

Times are the host's. A line has the time its first byte came; what is held of it (its rest is to
come, or its stamp is to be told from those after it) is given out after `HOLD_NS` at the latest.
What is given depends on the stamps of the records alone: a call of `release` more or less changes
nothing, so what is watched live and what is read later has the same lines.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
import polars as pl

from console.bench.model import PrintsSource, Source
from console.pipeline.live_observed import HOLD_NS, Observed
from console.sources.records import Arrived, Chunk, Happened, Record
from console.timeline.clocks import ClockMap, ClockPiece, on_axis
from console.timeline.tables.happening_tables import happenings_frame
from console.timeline.tables.message_tables import messages_frame
from console.timeline.tables.print_tables import PrintTimes, prints_frame
from decoders.messages.columns import DIRECTIONS, Messages, coded, offsets
from decoders.prints.byte_times import ByteTimes
from decoders.prints.columns import NO_TIME, Prints
from decoders.prints.prints import PrintDecoder

# How much earlier than its stamp a message may have come to this host: threads that wait for their
# turn, and the 40 ms for which a receiver may delay what the sender waits for (RFC 1122, 4.2.3.2,
# allows 500; 40 is the usual least).
MESSAGE_LATE_NS = 50_000_000
# A read that waited for longer says no more of when its first bytes came; and while something is
# held, chunks that lie so close are decoded together. The two together are less than HOLD_NS, so
# nothing that came among them is to be given out before the last of them.
_EARLIEST_NS = 400_000_000
_TOGETHER_NS = 500_000_000
_MOST_TOGETHER = 4096  # chunks, while nothing is held: a decoder takes 1 ms a call, 1 us a line
_ENDS = b"\r\n"
_EVER = 2**62
_FROM_BROKER = DIRECTIONS.index("from-broker")


_Chunks = list[tuple[int, bytes]]  # stamp, data


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """Rows of one source, in order of time."""

    prints: Prints
    messages: Messages | None
    happenings: pl.DataFrame  # without `band_ns`

    def frames(self, name: str, clock: ClockMap) -> dict[str, pl.DataFrame]:
        """As tables, those that have a row.

        Args:
            name: of the source.
            clock: the host's, see `host_clock`.
        """
        found = {}
        if len(self.prints):
            found["prints"] = prints_frame(self.prints, host_times(self.prints), name, clock)
        if self.messages is not None:
            found["messages"] = on_axis(messages_frame(self.messages, name), clock)
        if self.happenings.height:
            found["happenings"] = on_axis(self.happenings, clock)
        return found


class SourceFold:
    """A fold over the records of one source, in the order they came.

    Args:
        source: as the bench has it; None: a source that only the run knows.
        name: of the source.

    Attributes:
        band_ns: how much earlier than its time a row of it may have been.
        events: lines or messages so far.
        observed: when it was observed.
    """

    def __init__(self, name: str, source: Source | None = None) -> None:
        told = source if isinstance(source, PrintsSource) else PrintsSource(name=name)
        self.name = name
        self.decoder = PrintDecoder(name, line=told.line, tick_bits=told.tick_bits, live=True)
        self.observed = Observed()
        self.events = 0
        self.taste = b""  # the first bytes of a port
        self._times = ByteTimes(told.baud, told.frame_bits)
        self._is_prints = isinstance(source, PrintsSource)
        self._last_ns = NO_TIME
        self._chunks: _Chunks = []  # not decoded yet
        self._chunk_ns = NO_TIME  # of the last one
        self._open_ns: int | None = None  # of the chunk in which the last line began that may go on
        self._byte_ns = told.frame_bits * 1_000_000_000 // told.baud if told.baud else 0
        self._decoded_ns = NO_TIME  # of the last one decoded, or when the port was opened
        self._due_ns = _EVER  # when something held is to be given out
        self._prints: list[Prints] = []
        self._arrived: list[tuple[int, Arrived]] = []
        self._happened: list[tuple[int, Happened]] = []
        self._messages = 0

    @property
    def band_ns(self) -> int:
        """How much earlier than its time a row of it may have been."""
        return self._times.band_ns if self._is_prints else MESSAGE_LATE_NS

    def feed(self, record: Record, earliest_ns: int = NO_TIME) -> bool:
        """Take the next record.

        Args:
            record: of this source.
            earliest_ns: what is stamped earlier is taken for this, for it has been judged.

        Returns:
            Whether its stamp was in order.
        """
        t_ns = max(record.t_ns, self._last_ns, earliest_ns)
        if isinstance(record, Chunk):
            self._chunk(t_ns, record.data)
        elif isinstance(record, Arrived):
            self._arrived.append((t_ns, record))
            self.events += 1
        else:
            self._happened.append((t_ns, record))
            if record.what in ("opened", "closed"):
                self._interrupt(t_ns)
        self.observed.feed(t_ns, record)
        self._last_ns = t_ns
        return t_ns == record.t_ns

    def release(self, now_ns: int) -> None:
        """Give out what has been held for `HOLD_NS`; nothing stamped earlier is to come."""
        self._decode(now_ns)
        if self._due_ns <= now_ns:
            self._give_due(now_ns)

    def finish(self) -> None:
        """Give out what is held; feed nothing after this."""
        self._decode(_EVER)
        self._keep(self.decoder.finish())

    def take(self) -> Given:
        """The rows since the last call."""
        prints, self._prints = Prints.concat(self._prints), []
        arrived, self._arrived = self._arrived, []
        happened, self._happened = self._happened, []
        frame = happenings_frame([row for _, row in happened], [t_ns for t_ns, _ in happened])
        messages = _messages(arrived, self._messages) if arrived else None
        self._messages += len(arrived)
        return Given(prints, messages, frame)

    def held(self) -> Prints | None:
        """The lines it would give besides if the run ended now; None where none are held.

        The fold is left as it is: a copy of its decoder is finished.
        """
        if self.decoder.held_since_ns is None:
            return None
        return copy.deepcopy(self.decoder).finish()

    def _chunk(self, t_ns: int, data: bytes) -> None:
        if t_ns >= self._due_ns or (self._chunks and not self._goes_with_them(t_ns, data)):
            self.release(t_ns)
        if len(self.taste) < TASTE_BYTES:
            self.taste += data[: TASTE_BYTES - len(self.taste)]
        if data:
            self._chunks.append((t_ns, data))
            self._chunk_ns = t_ns
            if data[-1] in _ENDS:
                self._open_ns = None
            elif self._open_ns is None:
                self._open_ns = t_ns

    def _goes_with_them(self, t_ns: int, data: bytes) -> bool:
        """Whether a chunk may be decoded with those that wait: nothing is to be given before."""
        if t_ns - self._chunk_ns > _EARLIEST_NS and len(data) * self._byte_ns > _EARLIEST_NS:
            return False
        is_calm = self._due_ns == _EVER and self.decoder.is_decided
        since = self._open_ns if is_calm else self._chunks[0][0]
        return len(self._chunks) < _MOST_TOGETHER and (
            since is None or t_ns - since <= _TOGETHER_NS
        )

    def _decode(self, before_ns: int) -> None:
        """Decode the chunks that wait, those of one stamp together."""
        split = len(self._chunks)
        while split and self._chunks[split - 1][0] >= before_ns:
            split -= 1
        if not split:
            return
        chunks, self._chunks = self._chunks[:split], self._chunks[split:]
        if chunks[-1][0] - chunks[0][0] <= _TOGETHER_NS:
            self._decode_now(chunks)
        elif not self._decoded_at_once(chunks):
            self._decode_in_turn(chunks)

    def _decoded_at_once(self, chunks: _Chunks) -> bool:
        """Decode many; not done where a stamp is judged by the next: it waits for that so long."""
        kept = copy.deepcopy((self.decoder, self._times, self._decoded_ns))
        given, looked_ahead = len(self._prints), self.decoder.looked_ahead
        events = self.events
        self._decode_now(chunks)
        if self.decoder.looked_ahead == looked_ahead:
            return True
        self.decoder, self._times, self._decoded_ns = kept
        self.events = events
        del self._prints[given:]
        self._settle_due()
        return False

    def _decode_in_turn(self, chunks: _Chunks) -> None:
        """Decode many, and between them give out what is due by then."""
        piece: _Chunks = []
        for t_ns, data in chunks:
            if piece and (t_ns >= self._due_ns or t_ns - piece[0][0] > _TOGETHER_NS):
                self._decode_now(piece)
                piece = []
            if t_ns >= self._due_ns:
                self._give_due(t_ns)
            piece.append((t_ns, data))
        self._decode_now(piece)

    def _decode_now(self, chunks: _Chunks) -> None:
        self._times.begin(max(self._decoded_ns, chunks[0][0] - _EARLIEST_NS))
        self._decoded_ns = chunks[-1][0]
        arrivals = self._times.feed([len(data) for _, data in chunks], [t for t, _ in chunks])
        self._keep(self.decoder.feed_parts(b"".join([data for _, data in chunks]), arrivals))
        self._settle_due()

    def _give_due(self, now_ns: int) -> None:
        self._keep(self.decoder.release(now_ns - HOLD_NS))
        self._settle_due()

    def _interrupt(self, t_ns: int) -> None:
        """The port was closed or opened: what was begun before it goes on no more."""
        self.release(t_ns)
        self._decode(_EVER)
        self._keep(self.decoder.interrupt())
        self._settle_due()
        self._open_ns = None
        self._chunk_ns = self._decoded_ns = t_ns

    def _settle_due(self) -> None:
        since = self.decoder.held_since_ns
        self._due_ns = _EVER if since is None else since + HOLD_NS

    def _keep(self, rows: Prints) -> None:
        if len(rows):
            self._prints.append(rows)
            self.events += len(rows)


TASTE_BYTES = 1 << 16  # of a port, to learn what stands before the text of its lines


def _messages(arrived: list[tuple[int, Arrived]], before: int) -> Messages:
    topic, topics = coded([row.topic for _, row in arrived])
    n = len(arrived)
    return Messages(
        t_ns=np.array([t_ns for t_ns, _ in arrived], np.int64),
        line=np.arange(before + 1, before + n + 1),
        topic=topic,
        topics=topics,
        client=np.zeros(n, np.int32),
        clients=("",),
        direction=np.full(n, _FROM_BROKER, np.uint8),
        first=offsets([len(row.payload) for _, row in arrived]),
        data=np.frombuffer(b"".join([row.payload for _, row in arrived]), np.uint8),
        qos=np.array([row.qos for _, row in arrived], np.int8),
        retain=np.array([row.retain for _, row in arrived], np.bool_),
        duplicate=np.array([row.duplicate for _, row in arrived], np.bool_),
    )


def host_times(rows: Prints) -> PrintTimes:
    """When lines were printed, by the stamps of the host alone."""
    known = np.ones(len(rows), np.bool_)
    epoch = np.zeros(len(rows), np.int64)
    return PrintTimes("host", is_wall=True, native_ns=rows.arrival_ns, epoch=epoch, timed=known)


def host_clock(name: str, band_ns: int) -> ClockMap:
    """The clock of a recorded source: the axis itself, its times late by the band at most."""
    piece = ClockPiece(
        source=name,
        clock="host",
        from_ns=0,
        until_ns=0,
        offset_ns=0,
        drift_ppm=0.0,
        band_ns=band_ns,
        anchors=0,
        rejected=0,
        method="declared",
        ambiguous=False,
        least_band_ns=band_ns,
    )
    return ClockMap((piece,))

"""A network capture of any length, made on the fly: eight clients that publish without loss."""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from decoders.captures.tcp_segments import ACK
from tests.decoders.captures.network_files import START_NS, Talk, in_time, pcap
from tests.decoders.messages.mqtt_made import connack, connect, publish

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

CLIENTS = 8
MESSAGES = 40_000  # of a block, all clients
_ETHERNET = bytes(12) + b"\x08\x00"
_SEQ, _ACK = 16 + 14 + 20 + 4, 16 + 14 + 20 + 8  # from the record's begin: IPv4 without options


class Traffic:
    """Blocks of messages that follow each other.

    Args:
        segment: bytes of a TCP segment; None: each message has one of its own.
    """

    def __init__(self, segment: int | None = None) -> None:
        talks = [
            Talk(client=f"10.0.0.{10 + k}", port=50_000 + k, t_ns=START_NS + k, step_ns=8_000)
            for k in range(CLIENTS)
        ]
        for k, talk in enumerate(talks):
            talk.open().says(connect(f"capline-{k}", keep_alive=0)).hears(connack())
        self.begin = _on_ethernet(pcap(in_time(*talks), link=1))
        for talk in talks:
            talk.frames.clear()
        begins = [list(talk.seq) for talk in talks]
        for k, talk in enumerate(talks):
            _say(talk, _stream(k), segment)
        body = _on_ethernet(pcap(in_time(*talks), link=1))[24:]
        self._body = np.frombuffer(body, np.uint8)
        self._records = np.array(_records(body), np.int64)
        self._ports = [talk.port for talk in talks]
        self._steps = np.array(
            [talk.seq[0] - begin[0] for talk, begin in zip(talks, begins, strict=True)]
        )
        self._lasts_ns = max(talk.t_ns for talk in talks) - START_NS

    def blocks(self, count: int) -> Iterator[bytes]:
        """The file, block by block, with so many blocks of messages."""
        yield self.begin
        at, body = self._records, self._body
        to_broker = _u16(body, at + 16 + 14 + 22) == 1883
        port = np.where(to_broker, _u16(body, at + 50), _u16(body, at + 52))
        step = self._steps[port - self._ports[0]]
        word = np.where(to_broker, at + _SEQ, at + _ACK)
        known, seconds = _u32(body, word), _u32(body, at, little=True)
        ns = seconds * 10**9 + _u32(body, at + 4, little=True)
        for k in range(count):
            block = body.copy()
            _put(block, word, (known + k * step) % 2**32)
            t_ns = ns + k * self._lasts_ns
            _put(block, at, t_ns // 10**9, little=True)
            _put(block, at + 4, t_ns % 10**9, little=True)
            yield block.tobytes()


def _stream(client: int) -> list[bytes]:
    words = b'{"n": %d, "level_cm": %d.5, "valve": "open", "state": "filling"}'
    return [
        publish(f"capline/{client}/hopper/level", words % (k, k % 90))
        for k in range(MESSAGES // CLIENTS)
    ]


def _say(talk: Talk, packets: list[bytes], segment: int | None) -> None:
    whole = b"".join(packets)
    pieces = packets
    if segment is not None:
        pieces = [whole[at : at + segment] for at in range(0, len(whole), segment)]
    for k, piece in enumerate(pieces):
        talk.says(piece)
        if k % 2:
            talk.send(1, flags=ACK)


def _records(body: bytes) -> list[int]:
    found, at = [], 0
    while at < len(body):
        found.append(at)
        at += 16 + struct.unpack_from("<I", body, at + 8)[0]
    return found


def _on_ethernet(file: bytes) -> bytes:
    """The same capture with an Ethernet header before each packet."""
    parts = [file[:24]]
    for at in _records(file[24:]):
        seconds, ns, length, _ = struct.unpack_from("<IIII", file, 24 + at)
        head = struct.pack("<IIII", seconds, ns, length + 14, length + 14)
        parts += [head, _ETHERNET, file[24 + at + 16 : 24 + at + 16 + length]]
    return b"".join(parts)


def _u16(data: Bytes, at: Ints) -> Ints:
    words: Ints = data[at].astype(np.int64) << 8 | data[at + 1]
    return words


def _u32(data: Bytes, at: Ints, *, little: bool = False) -> Ints:
    words = data[at[:, None] + np.arange(4)].copy().view("<u4" if little else ">u4")
    found: Ints = words[:, 0].astype(np.int64)
    return found


def _put(data: Bytes, at: Ints, value: Ints, *, little: bool = False) -> None:
    words = value.astype("<u4" if little else ">u4")
    data[at[:, None] + np.arange(4)] = words.view(np.uint8).reshape(-1, 4)

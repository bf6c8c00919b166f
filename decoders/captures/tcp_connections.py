"""TCP connections as a capture shows them: who opened one, what was sent each way, how it ended."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from decoders.captures.pcap_frames import Int64s
from decoders.captures.tcp_half import Half, Piece


class What(IntEnum):
    """What a row of a `Part` is."""

    DATA = 0
    HOLE = 1  # bytes that were sent and not captured
    FIN = 2  # this side has sent everything
    RST = 3  # this side broke the connection off
    GONE = 4  # followed no more: replaced, or too many others; the end was not seen
    CUT = 5  # the capture ended


@dataclass(frozen=True, slots=True)
class End:
    """One end of a connection."""

    address: bytes  # 16 bytes; IPv4 as RFC 4291 section 2.5.5.2 maps it
    port: int

    def __str__(self) -> str:
        """`10.0.0.7:50112`, `[fd00::7]:50112`."""
        found = ipaddress.IPv6Address(self.address)
        mapped = found.ipv4_mapped
        return f"{mapped}:{self.port}" if mapped else f"[{found}]:{self.port}"


@dataclass(slots=True, eq=False)
class Connection:
    """One connection, as far as it was seen.

    Attributes:
        serial: numbers connections in the order of their first frames.
        ends: of both sides; half k is what ends[k] sent.
        opener: the half that sent the first SYN; None where that was not seen.
        is_wanted: whether anybody asks for its bytes; may be taken back.
    """

    serial: int
    ends: tuple[End, End]
    opener: int | None = None
    is_wanted: bool = True
    is_over: bool = False
    halves: tuple[Half, Half] = field(default_factory=lambda: (Half(), Half()))
    last_number: int = 0  # of its last frame


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What some frames held of one connection; n rows in the order they came to light."""

    connection: Connection
    what: npt.NDArray[np.uint8]  # [n] `What`
    half: npt.NDArray[np.uint8]  # [n] who sent it
    number: Int64s  # [n] frame that brought it to light: never falls
    t_ns: Int64s  # [n] when it had come
    start: Int64s  # [n] DATA: where its bytes begin in `data`
    length: Int64s  # [n] DATA: how many; HOLE: how many are missing
    data: bytes

    def __len__(self) -> int:
        return len(self.what)


class PartRows:
    """Rows of a `Part` one by one, where segments do not simply follow each other."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self._rows: list[tuple[int, int, int, int, int, int]] = []
        self._data: list[bytes] = []
        self._at = 0

    def pieces(self, half: int, number: int, pieces: list[Piece]) -> None:
        """Add bytes and holes that one frame brought to light."""
        for t_ns, data, missing in pieces:
            what = What.HOLE if missing else What.DATA
            self._rows.append((what, half, number, t_ns, self._at, missing or len(data)))
            self._data.append(data)
            self._at += len(data)

    def end(self, what: What, half: int, number: int, t_ns: int) -> None:
        """Add an end."""
        self._rows.append((what, half, number, t_ns, self._at, 0))

    def part(self) -> Part:
        """The rows so far; takes no more."""
        table = np.array(self._rows, np.int64).reshape(-1, 6)
        what, half, number, t_ns, start, length = table.T.copy()
        kinds = what.astype(np.uint8), half.astype(np.uint8)
        return Part(self.connection, *kinds, number, t_ns, start, length, b"".join(self._data))

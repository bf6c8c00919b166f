"""Frames of a network capture as columns, and what both kinds of such files have in common."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from decoders.errors import CaptureError, Place

MOST_CAPTURED = 1 << 24  # bytes of one frame; tools stop at 2**18 (tcpdump's MAXIMUM_SNAPLEN)

Int64s = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Captured frames in file order; n rows, n may be 0.

    Frame i is data[start[i] : start[i] + length[i]], from its link header on. Between frames data
    has the file's own headers: it is the file's bytes, not a copy.
    """

    number: Int64s  # [n] of the frame in its file, from 1
    t_ns: Int64s  # [n] ns since 1970 as the file says; may fall
    link: Int64s  # [n] LINKTYPE value
    start: Int64s  # [n]
    length: Int64s  # [n] captured bytes
    wire_length: Int64s  # [n] bytes on the wire; more than length where the frame was cut
    data: Bytes  # [m]

    def __len__(self) -> int:
        return len(self.number)


def no_frames() -> Frames:
    """No rows."""
    none = np.empty(0, np.int64)
    return Frames(none, none, none, none, none, none, np.empty(0, np.uint8))


@dataclass(slots=True)
class FileFacts:
    """What a reader noticed; grows while it reads."""

    frames: int = 0
    cut_frames: int = 0  # of which not all bytes were captured
    timeless: int = 0  # without a stamp of their own
    first_ns: int | None = None  # earliest stamp
    last_ns: int = 0  # latest stamp
    remarks: list[str] = field(default_factory=list)

    def count(self, frames: Frames) -> None:
        """Take in the next frames."""
        self.frames += len(frames)
        if len(frames):
            first_ns = int(frames.t_ns.min())
            self.first_ns = first_ns if self.first_ns is None else min(self.first_ns, first_ns)
            self.last_ns = max(self.last_ns, int(frames.t_ns.max()))
        self.cut_frames += int(np.count_nonzero(frames.wire_length > frames.length))


class FrameReader(Protocol):
    """A fold from file bytes (unzipped) to frames; the same however the bytes are cut."""

    name: str
    facts: FileFacts
    stopped: CaptureError | None  # set when a file that was good at first went bad

    def feed(self, chunk: bytes) -> Frames:
        """Take the next bytes; return the frames they complete.

        Raises:
            CaptureError: if the file's header cannot be read; a file that goes bad after that sets
                `stopped` and ignores the rest.
        """
        ...

    def finish(self) -> Frames:
        """Return what was left; feed nothing after this. Raises as `feed` does."""
        ...


class DamageError(Exception):
    """Something in a file that cannot be: what, and at which byte of the file."""

    def __init__(self, what: str, at_byte: int) -> None:
        super().__init__(what)
        self.what = what
        self.at_byte = at_byte


_MEND = "What came before is used. Capture or copy it again for the rest."


def damaged(name: str, what: str, at_byte: int) -> CaptureError:
    """The error of a file that cannot be read on."""
    return CaptureError(f"byte {at_byte:,}: {what}", place=Place(name), mend=_MEND)


class Pending:
    """Bytes of a file that wait for the rest of their record, which is bounded.

    Chunks are joined once the record is whole, so a file that comes byte by byte costs no square.
    """

    def __init__(self) -> None:
        self.at_byte = 0  # of the file, where what waits begins
        self._parts: list[bytes] = []
        self._have = 0
        self._need = 0

    def feed(self, chunk: bytes) -> bytes:
        """Take a chunk; return what waits with it, or b"" while that is too little."""
        self._parts.append(chunk)
        self._have += len(chunk)
        return b"" if self._have < self._need else self.all()

    def all(self) -> bytes:
        """Everything that waits."""
        whole = self._parts[0] if len(self._parts) == 1 else b"".join(self._parts)
        self._parts = [whole]
        return whole

    def keep(self, whole: bytes, used: int, need: int) -> None:
        """Let go of the first bytes; the rest waits until there are `need` of it."""
        rest = whole[used:]
        self.at_byte += used
        self._parts, self._have, self._need = [rest], len(rest), need


def words_at(data: Bytes, at: Int64s, *, big: bool) -> Int64s:
    """The u32 at each of k offsets of data, as int64[k]."""
    four = data[at[:, None] + np.arange(4)]
    words: Int64s = four.copy().view(">u4" if big else "<u4")[:, 0].astype(np.int64)
    return words

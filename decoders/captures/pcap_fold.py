"""What both readers of network captures do: bytes in, whole records walked, frames out."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar, Generic, TypeVar

from decoders.captures.pcap_frames import (
    DamageError,
    FileFacts,
    Frames,
    Pending,
    damaged,
    no_frames,
)
from decoders.errors import CaptureError

Row = TypeVar("Row")  # what a walk notes of a frame


class FrameFold(ABC, Generic[Row]):
    """A fold from the bytes of a file to frames, however the bytes are cut.

    Memory is bounded by the chunk and one record. See `FrameReader` for what is raised.

    Args:
        name: file name, for errors.
    """

    RECORD: ClassVar[str]  # what a record is called
    BEGINS: ClassVar[int]  # bytes without which the file's header cannot be read

    def __init__(self, name: str) -> None:
        self.name = name
        self.facts = FileFacts()
        self.stopped: CaptureError | None = None
        self._pending = Pending()
        self._pending.keep(b"", 0, self.BEGINS)
        self._has_begun = False

    def feed(self, chunk: bytes) -> Frames:
        """Take the next bytes; return the frames they complete. See `FrameReader`."""
        if self.stopped is not None or not chunk:
            return no_frames()
        data = self._pending.feed(chunk)
        if not data:
            return no_frames()
        at = 0 if self._has_begun else self._begin(data)
        self._has_begun = True
        rows: list[Row] = []
        try:
            at, need = self._walked(data, at, rows)
        except DamageError as damage:
            at_byte = self._pending.at_byte + damage.at_byte
            self.stopped = damaged(self.name, damage.what, at_byte)
            at, need = len(data), 0
        frames = self._columns(data, rows)
        self._pending.keep(data, at, need)
        self.facts.count(frames)
        return frames

    def finish(self) -> Frames:
        """Tell of a record that the end of the file cut; feed nothing after this."""
        rest = self._pending.all()
        if not self._has_begun:
            self._begin(rest)
        if rest and self.stopped is None:
            what = f"the file ends in the middle of a {self.RECORD}"
            self.stopped = damaged(self.name, what, self._pending.at_byte)
        return no_frames()

    @abstractmethod
    def _begin(self, data: bytes) -> int:
        """Read the file's header; where the first record begins.

        Raises:
            CaptureError: if it cannot be read, or is not all there.
        """

    @abstractmethod
    def _walked(self, data: bytes, at: int, rows: list[Row]) -> tuple[int, int]:
        """Find the records, each of which says where the next one is.

        Returns:
            Where the first record begins that is not whole, and how many bytes it needs.

        Raises:
            DamageError: at a record that cannot be; the frames before it stand in `rows`.
        """

    @abstractmethod
    def _columns(self, data: bytes, rows: list[Row]) -> Frames:
        """The frames that a walk noted."""

"""A check code over a frame: which code, what it covers, and where it stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from console.diagnosis.replies.stream import Bytes, Truths
from decoders.checkcodes import CheckCode


@dataclass(frozen=True, slots=True)
class Formula:
    """How frames of one target are checked.

    With `words` the frame is cut into pieces of so many bytes and a code each, as sensors do that
    send a code after every word; else one code stands at the end.
    """

    code: CheckCode
    skipped: int = 0  # bytes at the begin that are not covered (a type, a length, a sync)
    before: bytes = b""  # covered though no part of the frame: address bytes, a command
    big: bool = True  # order of the code's bytes
    words: int = 0  # bytes before each code; 0: one code for the whole frame

    @property
    def width(self) -> int:
        """Bytes of one code."""
        return self.code.width_bytes

    def fits(self, frames: Bytes) -> Truths:
        """bool[n]: which frames, uint8[n, k], have the right code; none of frames too short."""
        n, k = frames.shape
        piece = self.words + self.width if self.words else k
        if k < piece or k <= self.skipped + self.width or (self.words and k % piece):
            return np.zeros(n, np.bool_)
        pieces = frames.reshape(-1, piece)
        fits: Truths = (self.codes(pieces) == self.carried(pieces)).reshape(n, -1).all(axis=1)
        return fits

    def says(self, frames: Bytes, value: int) -> Truths:
        """bool[n]: which frames have the right code, and nothing but one value beside it."""
        n, k = frames.shape
        piece = self.words + self.width if self.words else k
        right = self.fits(frames)
        if not right.any():
            return right
        content = frames.reshape(-1, piece)[:, self.skipped : piece - self.width]
        only: Truths = (content == value).all(axis=1).reshape(n, -1).all(axis=1)
        return right & only

    def codes(self, pieces: Bytes) -> np.ndarray[tuple[int], np.dtype[np.uint64]]:
        """uint64[n]: the code that each piece should carry."""
        covered = pieces[:, self.skipped : pieces.shape[1] - self.width]
        if self.before:
            head = np.broadcast_to(
                np.frombuffer(self.before, np.uint8), (len(pieces), len(self.before))
            )
            covered = np.concatenate([head, covered], axis=1)
        return self.code.of_rows(covered)

    def carried(self, pieces: Bytes) -> np.ndarray[tuple[int], np.dtype[np.uint64]]:
        """uint64[n]: the code that each piece carries."""
        tail = pieces[:, pieces.shape[1] - self.width :].astype(np.uint64)
        order = range(self.width) if self.big else range(self.width - 1, -1, -1)
        found = np.zeros(len(pieces), np.uint64)
        for place in order:
            found = (found << np.uint64(8)) | tail[:, place]
        return found

    def in_words(self) -> str:
        """`CRC-8/NRSC-5 over each 2 bytes`."""
        what = f"over each {self.words} bytes" if self.words else "over the frame"
        if self.skipped:
            what += f" from byte {self.skipped} on"
        if self.before:
            what += f" and {self.before.hex(' ').upper()} before it"
        order = "" if self.width == 1 else f", {'high' if self.big else 'low'} byte first"
        return f"{self.code.name} {what}{order}"

"""gzip (RFC 1952) undone as a fold that keeps whatever was good."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

GZIP_MAGIC = b"\x1f\x8b"
_GZIP_WINDOW = 16 + zlib.MAX_WBITS  # zlib's way to ask for a gzip header and check value
_PIECE_BYTES = 1 << 16  # raw bytes a call: what has to be gone through again when one is bad


class Inflater:
    """Unzip a stream of one or more gzip members in blocks of bounded size.

    Args:
        block_bytes: most bytes of one block given out; a small file that unzips to a huge one
            comes in many blocks.
    """

    def __init__(self, block_bytes: int) -> None:
        self.trouble = ""  # why it stopped before the end, in words; empty while all is well
        self._block_bytes = block_bytes
        self._member = zlib.decompressobj(_GZIP_WINDOW)
        self._begun = False  # whether the member has had any byte
        self._between = b""  # what follows a member, too short yet to be told
        self._unzipped = 0

    def feed(self, raw: bytes) -> Iterator[bytes]:
        """Take the next raw bytes; yield the blocks they unzip to."""
        for begin in range(0, len(raw), _PIECE_BYTES):
            piece = self._between + raw[begin : begin + _PIECE_BYTES]
            self._between = b""
            while piece and not self.trouble:
                before = self._member.copy()
                try:
                    block = self._member.decompress(piece, self._block_bytes)
                except zlib.error as error:
                    yield from self._good_part(before, piece, error)
                    return
                self._begun = True
                self._unzipped += len(block)
                if block:
                    yield block
                piece = self._rest()

    def finish(self) -> None:
        """Tell whether the end was where it should be."""
        if not self.trouble and (self._begun or self._between):
            self.trouble = f"the gzip data end too early, after {self._unzipped:,} unzipped bytes"

    def _rest(self) -> bytes:
        """What of the piece is still to be unzipped, by this member or the next."""
        if not self._member.eof:
            return self._member.unconsumed_tail
        rest = self._member.unused_data
        self._member = zlib.decompressobj(_GZIP_WINDOW)
        self._begun = False
        rest = rest.lstrip(b"\x00")  # padding of tapes and blocks is allowed
        if rest[:2] != GZIP_MAGIC[: len(rest)]:
            self.trouble = f"something that is not gzip follows {self._unzipped:,} unzipped bytes"
            return b""
        if len(rest) < len(GZIP_MAGIC):
            self._between, rest = rest, b""
        return rest

    def _good_part(
        self, before: zlib._Decompress, piece: bytes, error: zlib.error
    ) -> Iterator[bytes]:
        """What came before the bad byte: zlib throws away what it had when it found it."""
        good = bytearray()
        try:
            for byte in piece:
                good += before.decompress(bytes((byte,)))
        except zlib.error:
            pass  # this is the bad byte; `error` tells what is wrong
        self._unzipped += len(good)
        what = str(error).rpartition(": ")[2]
        self.trouble = f"the gzip data are damaged after {self._unzipped:,} unzipped bytes ({what})"
        for begin in range(0, len(good), self._block_bytes):
            yield bytes(good[begin : begin + self._block_bytes])

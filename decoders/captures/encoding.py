"""Text of any usual encoding to UTF-8 bytes, as a fold.

Instruments write UTF-8, UTF-16 of either order, or an 8-bit code page, with a byte-order mark or
without. What comes out is UTF-8 without the mark, except that 8-bit text passes untouched: its
readers need only ASCII and the micro sign.
"""

from __future__ import annotations

import codecs

_PEEK_BYTES = 64  # enough to see the zero bytes of UTF-16 without a mark
_FEWEST_BYTES = 8
_MOSTLY = 0.8  # of the high bytes are zero where the text is mostly ASCII


def utf16_order(head: bytes) -> str | None:
    """Codec name when `head` is UTF-16 (by its mark, or by its zero bytes), else None."""
    if head.startswith(codecs.BOM_UTF16_LE):
        return "utf-16-le"
    if head.startswith(codecs.BOM_UTF16_BE):
        return "utf-16-be"
    even, odd = head[0:_PEEK_BYTES:2], head[1:_PEEK_BYTES:2]
    if len(head) < _FEWEST_BYTES:
        return None
    even_zeros, odd_zeros = even.count(0) / len(even), odd.count(0) / len(odd)
    if odd_zeros > _MOSTLY and even_zeros < 1 - _MOSTLY:
        return "utf-16-le"
    if even_zeros > _MOSTLY and odd_zeros < 1 - _MOSTLY:
        return "utf-16-be"
    return None


class TextBytes:
    """Turn file bytes into UTF-8 bytes without a mark; the same however they are cut."""

    def __init__(self) -> None:
        self.encoding = ""  # told once enough has been seen
        self._head = b""
        self._decoder: codecs.IncrementalDecoder | None = None

    def feed(self, chunk: bytes) -> bytes:
        """Take the next bytes; return the text they complete (`chunk` itself when it passes)."""
        if self.encoding:
            return self._decoded(chunk)
        self._head += chunk
        return self._settled() if len(self._head) >= _PEEK_BYTES else b""

    def finish(self) -> bytes:
        """Return what was held; half a UTF-16 unit at the end is dropped with its line cut."""
        return b"" if self.encoding else self._settled()

    def _settled(self) -> bytes:
        head, self._head = self._head, b""
        order = utf16_order(head)
        if order is None:
            self.encoding = "utf-8"
            return head.removeprefix(codecs.BOM_UTF8)
        self.encoding = order
        self._decoder = codecs.getincrementaldecoder(order)(errors="replace")
        return self._decoded(head).removeprefix(codecs.BOM_UTF8)

    def _decoded(self, chunk: bytes) -> bytes:
        if self._decoder is None:
            return chunk
        text: str = self._decoder.decode(chunk)
        return text.encode("utf-8", errors="replace")

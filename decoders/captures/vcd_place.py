"""Where a reader of tokens stands in its file, so that every error has its line and column."""

from __future__ import annotations

from dataclasses import dataclass

from decoders.errors import CaptureError, Place

# No identifier code, time or value of a real file comes near this; a longer run without white
# space is not a value change dump, and holding it would unbound the memory.
LONGEST_TOKEN = 1 << 20


@dataclass(slots=True)
class Cursor:
    """The place of the next byte; lines and columns count from 1, columns in bytes."""

    name: str
    line: int = 1
    column: int = 1

    def pass_over(self, text: bytes) -> None:
        """Move behind `text`."""
        newlines = text.count(b"\n")
        if newlines:
            self.line += newlines
            self.column = len(text) - text.rfind(b"\n")
        else:
            self.column += len(text)

    def pass_lines(self, count: int) -> None:
        """Move behind `count` whole lines, from the start of a line."""
        self.line += count
        self.column = 1

    def at(self, text: bytes, offset: int) -> Place:
        """Place of `text[offset]`, where the cursor stands at `text[0]`."""
        newlines = text.count(b"\n", 0, offset)
        if newlines:
            return Place(self.name, self.line + newlines, offset - text.rfind(b"\n", 0, offset))
        return Place(self.name, self.line, self.column + offset)


def whole_tokens(text: bytes, begin: int, end: int) -> int:
    """Where in text[begin:end] the last white space ends, `begin` if none: no token before is cut.

    A carriage return does not count, the line feed that may follow it belongs to it.
    """
    newline = text.rfind(b"\n", begin, end)
    if newline >= 0:
        return newline + 1
    blanks = (text.rfind(blank, begin, end) for blank in (b" ", b"\t", b"\x0b", b"\x0c"))
    return max(begin, max(blanks) + 1)


def printable(token: bytes, limit: int = 24) -> str:
    """A token as text for an error message: ASCII, escaped, cut at `limit` bytes."""
    text = ascii(token[:limit].decode("latin-1"))
    return text if len(token) <= limit else f"{text[:-1]}...'"


def too_long(cursor: Cursor, text: bytes, offset: int) -> CaptureError:
    """The error for a token longer than LONGEST_TOKEN that begins at `text[offset]`."""
    return CaptureError(
        f"a token longer than {LONGEST_TOKEN:,} bytes",
        place=cursor.at(text, offset),
        mend="This is not a value change dump, or it is damaged here; export the capture again.",
    )

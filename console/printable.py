"""Text from outside made printable: the one function every output passes text through.

What a wire, a file or a broker says may hold escape sequences that drive the terminal, marks that
turn the reading direction round, characters of no width or of a width nobody knows. Here each of
them becomes something that only shows what it is, so a line on the screen is as wide as it looks
and says what came in.
"""

from __future__ import annotations

import unicodedata

# Marks stack on the character before them; private use has no agreed glyph.
_UNSURE = frozenset(("Mn", "Mc", "Me", "Co"))

# Printable by category, but without a width of their own: drawn as nothing, or joined with their
# neighbour into one cell (Hangul Jamo, Unicode section 3.12; emoji modifiers and regional
# indicators, UTS #51 sections 2.4 and 2.5).
_JOINING = (
    (0x115F, 0x11FF),
    (0x3164, 0x3164),
    (0xD7B0, 0xD7FB),
    (0xFFA0, 0xFFA0),
    (0x1F1E6, 0x1F1FF),
    (0x1F3FB, 0x1F3FF),
)


def printable(text: str, *, ascii_only: bool = False) -> str:
    """Printable text of known width, telling what was there.

    Total: any string is taken, lone surrogates included. C0 controls and DEL, tab and line feed
    too, become control pictures (U+2400 to U+2421). C1 controls, format and bidi marks, marks that
    combine, spaces other than U+0020, fillers, private use, surrogates and unassigned code points
    become `<U+XXXX>`. What it returns it leaves as it is.

    Args:
        text: anything.
        ascii_only: write `<U+XXXX>` for everything outside ASCII and for the controls.

    Returns:
        Text whose every character is drawn, and one or two cells wide.
    """
    if text.isascii() and text.isprintable():
        return text
    return text.translate(_ASCII if ascii_only else _SHOWN)


def printable_block(text: str, *, ascii_only: bool = False) -> str:
    """As `printable`, for text of several lines: line feeds stay."""
    return "\n".join(printable(line, ascii_only=ascii_only) for line in text.split("\n"))


class _Shown(dict[int, str]):
    """A table for `str.translate` that works out a code point when it first meets it."""

    def __init__(self, *, ascii_only: bool) -> None:
        super().__init__()
        self._ascii_only = ascii_only

    def __missing__(self, code: int) -> str:
        shown = _in_ascii(code) if self._ascii_only else _drawn(code)
        if len(self) < 0x1000:  # hostile text may walk through all of Unicode
            self[code] = shown
        return shown


def _in_ascii(code: int) -> str:
    return chr(code) if 32 <= code < 127 else f"<U+{code:04X}>"


def _drawn(code: int) -> str:
    if code < 32:
        return chr(0x2400 + code)
    if code == 127:
        return "\u2421"
    char = chr(code)
    known = char.isprintable() and unicodedata.category(char) not in _UNSURE
    if known and not any(low <= code <= high for low, high in _JOINING):
        return char
    return f"<U+{code:04X}>"


_SHOWN = _Shown(ascii_only=False)
_ASCII = _Shown(ascii_only=True)

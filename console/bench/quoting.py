"""Text in TOML."""

from __future__ import annotations

from console.printable import printable

_ESCAPES = {'"': '\\"', "\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"}


def quoted(text: str) -> str:
    """Text as a basic TOML string (toml.io v1.0.0, section String).

    What `printable` would not draw is escaped: the file is shown on terminals, too.
    """
    return '"' + "".join(_escaped(character) for character in text) + '"'


def _escaped(character: str) -> str:
    code = ord(character)
    if character in _ESCAPES:
        return _ESCAPES[character]
    # A lone surrogate is no Unicode scalar value: TOML cannot hold it.
    if 0xD800 <= code < 0xE000:
        return "\\uFFFD"
    if printable(character) == character:
        return character
    return f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"

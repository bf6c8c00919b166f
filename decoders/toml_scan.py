"""Where every table and key of a TOML text stands, as offsets into the text.

The text has passed `tomllib`, so the walk may trust its syntax: it only has to step over strings,
comments, lists and inline tables without mistaking what is inside them for keys.
"""

from __future__ import annotations

import re
import tomllib

Path = tuple[str | int, ...]

_BLANK = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")  # between statements, and inside a list
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\r\n#]*")
# A multi-line string may end in up to two quotes of its own before the closing three.
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\])*"'
    r"|'[^']*'",
    re.DOTALL,
)


def key_offsets(text: str) -> dict[Path, int]:
    """Offset of every table header, list element and key of a valid TOML text.

    A table that several statements build has the offset of the first. A key inside an inline table
    has its own offset, an element of a list that of its first character.

    Raises:
        RecursionError: if lists or inline tables are nested too deeply.
    """
    scan = _Scan(text)
    scan.statements()
    return scan.offsets


class _Scan:
    """One walk over one text."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.offsets: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}  # array of tables -> tables seen

    def statements(self) -> None:
        table: Path = ()
        while self._skip(_GAP) < len(self.text):
            begin = self.at
            if self.text.startswith("[[", self.at):
                self.at += 2
                path = self._in_last_tables(self._keys())
                self.at += 2
                index = self.counts.get(path, 0)
                self.counts[path] = index + 1
                table = (*path, index)
            elif self.text[self.at] == "[":
                self.at += 1
                table = self._in_last_tables(self._keys())
                self.at += 1
            else:
                self._pair(table)
                continue
            self._note(table, begin)

    def _pair(self, table: Path) -> None:
        """One `key = value`, the key perhaps dotted."""
        begin = self.at
        path = (*table, *self._keys())
        self._note(path, begin)
        self.at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip(_BLANK)
        first = self.text[self.at]
        if first == "[":
            self._items(path)
        elif first == "{":
            self._inline_table(path)
        elif first in "\"'":
            self._skip(_STRING)
        else:
            self._skip(_SCALAR)

    def _items(self, path: Path) -> None:
        self.at += 1
        index = 0
        while self.text[self._skip(_GAP)] != "]":
            self.offsets[(*path, index)] = self.at
            self._value((*path, index))
            index += 1
            if self.text[self._skip(_GAP)] == ",":
                self.at += 1
        self.at += 1

    def _inline_table(self, path: Path) -> None:
        self.at += 1
        while self.text[self._skip(_GAP)] != "}":
            self._pair(path)
            if self.text[self._skip(_GAP)] == ",":
                self.at += 1
        self.at += 1

    def _keys(self) -> tuple[str, ...]:
        """A key, perhaps dotted; stops at the character after it and its blanks."""
        keys = []
        while True:
            self._skip(_BLANK)
            begin = self.at
            quoted = self.text[begin] in "\"'"
            self._skip(_STRING if quoted else _BARE_KEY)
            written = self.text[begin : self.at]
            # tomllib undoes the escapes of a quoted key
            keys.append(str(tomllib.loads(f"k={written}")["k"]) if quoted else written)
            if self.text[self._skip(_BLANK)] != ".":
                return tuple(keys)
            self.at += 1

    def _in_last_tables(self, keys: tuple[str, ...]) -> Path:
        """Header keys as a path: below an array of tables they mean its last table."""
        path: Path = ()
        for key in keys[:-1]:
            path = (*path, key)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return (*path, keys[-1])

    def _note(self, path: Path, offset: int) -> None:
        """The offset of a path, and of the tables around it that have none yet."""
        for length in range(1, len(path) + 1):
            self.offsets.setdefault(path[:length], offset)

    def _skip(self, pattern: re.Pattern[str]) -> int:
        match = pattern.match(self.text, self.at)
        if match is not None:
            self.at = match.end()
        return self.at

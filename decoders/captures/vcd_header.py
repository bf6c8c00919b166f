"""The declarations of a value change dump: timescale and variables.

Source: IEEE Std 1364-2005 section 18.2 (grammar 18.2.1). Tokens are separated by any white space,
so a command may span lines; text of commands that declare nothing (`$comment`, `$date`,
`$version`, extensions) is passed over without being kept.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NoReturn

from decoders.captures.vcd_place import LONGEST_TOKEN, Cursor, printable, too_long
from decoders.errors import CaptureError, Place

# IEEE 1364-2005 section 18.2.1, production time_unit: exponent of ten in ns.
UNIT_EXPONENTS = {b"s": 9, b"ms": 6, b"us": 3, b"ns": 0, b"ps": -3, b"fs": -6}
MAGNITUDE_EXPONENTS = {b"1": 0, b"10": 1, b"100": 2}
KEPT_COMMANDS = frozenset({b"$timescale", b"$scope", b"$upscope", b"$var", b"$enddefinitions"})
LONGEST_COMMAND = 4096  # tokens of a declaration that is kept; a real one has about six
_TOKEN = re.compile(rb"[^ \t\n\r\x0b\x0c]+")
_TIMESCALE = re.compile(rb"(\d+)\s*([a-z]+)")
_SELECT = re.compile(rb"\[\s*(-?\d+)\s*(?::\s*(-?\d+)\s*)?\]")


@dataclass(frozen=True, slots=True)
class Variable:
    """One declared name; several may share one identifier code and so be the same net."""

    kind: str  # var_type: wire, reg, real, event, ... (string is a common extension)
    size: int  # bits
    code: bytes  # identifier code
    name: str  # scopes and reference joined by '.', without the bit select
    left: int  # number of the leftmost bit, as in name[left:right]
    right: int
    selected: bool  # whether the reference named one bit: name[bit]

    def bit_numbers(self) -> range:
        """Numbers of the bits, leftmost first."""
        step = -1 if self.left >= self.right else 1
        return range(self.left, self.right + step, step)


@dataclass(slots=True)
class Declarations:
    """What stands before `$enddefinitions`."""

    exponent: int | None = None  # one time unit is 10**exponent ns; None: no $timescale
    timescale: str = ""  # as written, for people
    variables: list[Variable] = field(default_factory=list)
    line: int = 1  # the line of $enddefinitions


class HeaderReader:
    """A fold over the declarations; `done` after `$enddefinitions $end`."""

    def __init__(self, cursor: Cursor) -> None:
        self.declarations = Declarations()
        self.done = False
        self._seen = False  # any command so far
        self._cursor = cursor
        self._scopes: list[str] = []
        self._command: list[bytes] = []  # tokens of the open command, its keyword first
        self._text = b""  # where the open command's keyword stands: here, at _opened_at
        self._opened_at = 0
        self._opened: Place | None = None  # its place, once its text has been passed over

    def feed(self, text: bytes) -> int:
        """Take whole tokens; return how many bytes of `text` belong to the declarations.

        Raises:
            CaptureError: where the text breaks the grammar.
        """
        self._text = text
        for match in _TOKEN.finditer(text):
            token = match.group()
            if len(token) > LONGEST_TOKEN:
                raise too_long(self._cursor, text, match.start())
            if not self._command:
                self._open(token, match.start())
            elif token == b"$end":
                self._close()
                if self.done:
                    self._cursor.pass_over(text[: match.end()])
                    return match.end()
            elif self._command[0] in KEPT_COMMANDS:
                self._command.append(token)
                if len(self._command) > LONGEST_COMMAND:
                    raise self._bad(f"{self._command[0].decode()} has no $end")
        self._opened = self._place() if self._seen else None
        self._text = b""
        self._cursor.pass_over(text)
        return len(text)

    def finish(self) -> CaptureError:
        """The error for a file that ends here."""
        place = Place(self._cursor.name, self._cursor.line)
        if not self._seen:
            return CaptureError(
                "the file is empty", place=Place(place.name), mend="Export the capture again."
            )
        return CaptureError(
            "the file ends before $enddefinitions",
            place=place,
            mend="It was cut while it was written or copied; export it again.",
        )

    def _open(self, token: bytes, offset: int) -> None:
        self._opened_at, self._opened = offset, None
        if token[:1] != b"$" or token in {b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff"}:
            self._refuse(token)
        self._seen = True
        if token != b"$end":  # one too many closes nothing
            self._command = [token]

    def _place(self) -> Place:
        return self._opened or self._cursor.at(self._text, self._opened_at)

    def _refuse(self, token: bytes) -> NoReturn:
        if not self._seen:
            raise CaptureError(
                f"not a value change dump: it begins with {printable(token)}",
                place=self._place(),
                mend="A VCD file (IEEE 1364) begins with a command such as $date or $timescale.",
            )
        raise CaptureError(
            f"{printable(token)} among the declarations, before $enddefinitions",
            place=self._place(),
            mend="Declarations must end with a line '$enddefinitions $end'; add it before.",
        )

    def _bad(self, message: str) -> CaptureError:
        return CaptureError(
            message,
            place=self._place(),
            mend="IEEE 1364 section 18.2 has the form of each declaration; export the file again.",
        )

    def _close(self) -> None:
        keyword, *words = self._command
        self._command = []
        if keyword == b"$timescale":
            self._timescale(b" ".join(words))
        elif keyword == b"$scope":
            self._scopes.append(_plain(words[1]) if len(words) > 1 else "")
        elif keyword == b"$upscope":
            if not self._scopes:
                raise self._bad("$upscope without a $scope before it")
            self._scopes.pop()
        elif keyword == b"$var":
            self._var(words)
        elif keyword == b"$enddefinitions":
            self.done = True
            self.declarations.line = self._place().line or 1

    def _timescale(self, text: bytes) -> None:
        match = _TIMESCALE.fullmatch(text)
        if match is None or match[2] not in UNIT_EXPONENTS or match[1] not in MAGNITUDE_EXPONENTS:
            raise CaptureError(
                f"$timescale {printable(text)} is not one of IEEE 1364",
                place=self._place(),
                mend="It must be 1, 10 or 100 of s, ms, us, ns, ps or fs, as in '1 us'.",
            )
        self.declarations.exponent = MAGNITUDE_EXPONENTS[match[1]] + UNIT_EXPONENTS[match[2]]
        self.declarations.timescale = f"{match[1].decode()} {match[2].decode()}"

    def _var(self, words: list[bytes]) -> None:
        if len(words) < 4 or not words[1].isdigit() or len(words[1]) > 6:
            raise self._bad("a $var that is not 'type size code name'")
        kind, size, code, *rest = words
        reference, select = _reference(rest)
        name = ".".join(part for part in (*self._scopes, _plain(reference)) if part)
        left, right, selected = self._range(select, int(size))
        self.declarations.variables.append(
            Variable(kind.decode("latin-1"), int(size), code, name, left, right, selected)
        )

    def _range(self, select: bytes, size: int) -> tuple[int, int, bool]:
        match = _SELECT.fullmatch(select)
        if match is not None:
            left, right = int(match[1]), int(match[2] if match[2] is not None else match[1])
            if abs(left - right) + 1 == size:
                return left, right, match[2] is None
        # No select, or one that does not fit the size: number the bits as integers are.
        return max(size - 1, 0), 0, False


def _reference(words: list[bytes]) -> tuple[bytes, bytes]:
    """Name and bit select; writers put a space before `[` or not, and inside it or not."""
    if words[0].startswith(b"\\"):  # an escaped identifier may hold brackets of its own
        return words[0], b"".join(words[1:])
    text = b"".join(words)
    at = text.rfind(b"[")
    return (text[:at], text[at:]) if at > 0 and text.endswith(b"]") else (text, b"")


def _plain(word: bytes) -> str:
    """An identifier as text; the backslash of an escaped one is not part of it (3.7.1)."""
    return word.removeprefix(b"\\").decode("utf-8", "backslashreplace")

"""The careful way through the value changes: token by token, for whatever the grammar allows.

Source: IEEE Std 1364-2005 section 18.2.1 (simulation commands and value changes). Beyond it, as met
in files: string changes (`s`), and the nine values of std_logic (IEEE 1164), of which H and L
are read as 1 and 0, and U, W and - as x.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import islice
from operator import length_hint

from decoders.captures.edges import Assumed
from decoders.captures.vcd_channels import Line
from decoders.captures.vcd_header import Variable
from decoders.captures.vcd_levels import LevelState
from decoders.captures.vcd_place import LONGEST_TOKEN, Cursor, printable, too_long
from decoders.errors import CaptureError, Place

# Level of a value character: 1, 0 or None for unknown. An open-drain line that nobody drives (z)
# is pulled up.
LEVELS: dict[int, int | None] = (
    dict.fromkeys(b"1zZhH", 1) | dict.fromkeys(b"0lL", 0) | dict.fromkeys(b"xXuUwW-")
)
_PASSED = frozenset({b"$dumpvars", b"$dumpall", b"$end"})
_LONGEST_TIME = 64  # digits
_TOKEN = re.compile(rb"[^ \t\n\r\x0b\x0c]+")
_EXPORT_AGAIN = "The file may be damaged here; export it again for the rest."


class _RefusedError(Exception):
    """The newest token cannot be read: (message, mend); its place is told where it is caught."""


class ChangeReader:
    """A fold over the tokens behind the declarations."""

    def __init__(
        self,
        cursor: Cursor,
        variables: Sequence[Variable],
        lines: Sequence[Line],
        state: LevelState,
        assumed: Assumed,
    ) -> None:
        self.meanings = dict.fromkeys(b"1", 1) | dict.fromkeys(b"0", 0)  # levels told of so far
        self.bits: dict[bytes, list[tuple[int, int]]] = {}  # code -> (mask of channel, bit of net)
        self.sizes = {v.code: v.size for v in variables}
        self._cursor = cursor
        self._state = state
        self._assumed = assumed
        for channel, line in enumerate(lines):
            self.bits.setdefault(line.code, []).append((1 << channel, line.place))
            self.sizes[line.code] = line.size
        self._at_once: dict[bytes, tuple[int, int]] = {}  # scalar change -> bits to keep, to set
        self._prepare()
        self._told_off = False
        self._value: bytes | None = None  # a vector, real or string whose code is still to come
        self._skipping: bytes | None = None  # keyword of the command whose text is passed over

    @property
    def clean(self) -> bool:
        """Whether the next token begins something."""
        return self._value is None and self._skipping is None

    def take(self, text: bytes) -> None:
        """Take whole tokens.

        Raises:
            CaptureError: at the token that cannot be read; everything before it counts.
        """
        tokens = text.split()
        readable = tokens[: _first_too_long(text, tokens)]
        stream = iter(readable)
        at_once, state = self._at_once, self._state
        try:
            self._go_on(stream)
            for token in stream:
                hit = at_once.get(token)
                if hit is not None:  # most tokens of most files
                    state.word = state.word & hit[0] | hit[1]
                    state.unknown &= hit[0]
                    self._assumed.rows += 1
                elif token[0] == 0x23:  # '#'
                    self._time(token)
                else:
                    self._other(token, stream)
        except _RefusedError as refused:
            message, mend = refused.args
            offset = _offset(text, len(readable) - length_hint(stream) - 1)
            raise CaptureError(message, place=self._cursor.at(text, offset), mend=mend) from None
        if len(readable) < len(tokens):
            raise too_long(self._cursor, text, _offset(text, len(readable)))
        self._cursor.pass_over(text)

    def finish(self) -> None:
        """Check that the file ended between two changes.

        Raises:
            CaptureError: when it was cut.
        """
        if self._value is not None:
            what = f"the value {printable(self._value)}, without its identifier code"
        elif self._skipping is not None:
            what = f"{self._skipping.decode('latin-1')}, without its $end"
        else:
            return
        raise cut_inside(what, Place(self._cursor.name, self._cursor.line))

    def _prepare(self) -> None:
        """Fill the table of scalar changes from the meanings known so far."""
        for code, channels in self.bits.items():
            mask = sum(bit for bit, _ in channels)
            if self.sizes[code] == 1:
                for value, level in self.meanings.items():
                    self._at_once[bytes((value,)) + code] = (~mask, mask if level else 0)

    def _go_on(self, stream: Iterator[bytes]) -> None:
        """Go on with what the last text left open."""
        if self._skipping is not None:
            self._skip(self._skipping, stream)
        elif self._value is not None:
            value, self._value = self._value, None
            self._coded(value, stream)

    def _other(self, token: bytes, stream: Iterator[bytes]) -> None:
        if token[0] in b"bBrRsS":
            self._coded(token, stream)
        elif token[0] == 0x24:  # '$'
            self._command(token, stream)
        elif token[0] in LEVELS:
            self._change(token[:1], token[1:])
        else:
            raise _RefusedError(
                f"{printable(token)} is neither a value change nor a time", _EXPORT_AGAIN
            )

    def _coded(self, value: bytes, stream: Iterator[bytes]) -> None:
        """A value whose identifier code is the next token."""
        code = next(stream, None)
        if code is None:
            self._value = value
        elif value[0] not in b"bB":
            self._size(code)
            self._assumed.rows += 1  # reals and strings have no level
        else:
            self._change(value[1:], code)

    def _change(self, digits: bytes, code: bytes) -> None:
        """A value of one net: digits, the leftmost first, redundant ones left out."""
        self._size(code)
        self._assumed.rows += 1
        if not digits:
            raise _RefusedError("a value without digits", _EXPORT_AGAIN)
        for mask, place in self.bits.get(code, ()):
            # Left extension (IEEE 1364-2005 section 18.2.2): 0 and 1 by 0, x by x, z by z.
            inside = place < len(digits)
            value = digits[len(digits) - 1 - place] if inside else digits[0]
            if value not in LEVELS:  # only the digits that are lines are looked at
                raise _RefusedError(f"{printable(digits)} is not a value", _EXPORT_AGAIN)
            level = LEVELS[value]
            if not inside and value in b"01":
                level = 0
            if value not in self.meanings and level is not None:
                self._learn(value)
            if level is None:
                self._state.unknown |= mask
            else:
                self._state.unknown &= ~mask
                self._state.word = self._state.word & ~mask | (mask if level else 0)

    def _size(self, code: bytes) -> int:
        size = self.sizes.get(code)
        if size is None:
            raise _RefusedError(
                f"no variable has the identifier code {printable(code)}",
                "The $var lines at the top declare the codes; the file may be damaged here.",
            )
        return size

    def _learn(self, value: int) -> None:
        """Make a remark of a value character met for the first time, and read it at once then."""
        if value in b"zZ":
            told, new = "z (nobody drives) is read as high: open-drain lines are pulled up", b"zZ"
        else:
            told, new = "values of IEEE 1164 beyond IEEE 1364: H is read as 1, L as 0", b"hHlL"
        self._assumed.remarks.append(told)
        for each in new:
            level = LEVELS[each]
            assert level is not None
            self.meanings[each] = level
        self._prepare()

    def _time(self, token: bytes) -> None:
        state, digits = self._state, token[1:]
        if not digits.isdigit() or len(digits) > _LONGEST_TIME:
            raise _RefusedError(f"{printable(token)} is not a time", _EXPORT_AGAIN)
        raw = int(digits)
        if raw > state.latest:
            raise _RefusedError(
                f"time {printable(token)} lies more than 292 years after zero",
                "Times are kept as 64-bit nanoseconds; check the $timescale.",
            )
        if raw > state.raw:
            state.settle()
            state.raw = raw
        elif raw < state.raw:
            raise _RefusedError(
                f"time goes back from #{state.raw} to #{raw}",
                "Two files may have been joined here; split them and read each alone.",
            )

    def _command(self, token: bytes, stream: Iterator[bytes]) -> None:
        state = self._state
        if token in _PASSED:
            return
        if token == b"$dumpoff":
            if not state.off:
                self._tell_off()
            state.off = state.broken = True
        elif token == b"$dumpon":
            state.off, state.broken = False, True
        else:
            self._skip(token, stream)

    def _tell_off(self) -> None:
        if not self._told_off:
            at_ns = self._state.ns(self._state.raw)
            self._assumed.remarks.append(
                f"$dumpoff, first at {at_ns} ns: nothing is observed until $dumpon"
            )
        self._told_off = True

    def _skip(self, keyword: bytes, stream: Iterator[bytes]) -> None:
        """Pass over the text of a command up to its `$end`."""
        self._skipping = keyword
        for token in stream:
            if token == b"$end":
                self._skipping = None
                return


def _first_too_long(text: bytes, tokens: list[bytes]) -> int:
    """Index of the first token longer than LONGEST_TOKEN, or the number of tokens."""
    if len(text) > LONGEST_TOKEN:
        for index, token in enumerate(tokens):
            if len(token) > LONGEST_TOKEN:
                return index
    return len(tokens)


def cut_inside(what: str, place: Place) -> CaptureError:
    """The error for a file that ends inside something."""
    return CaptureError(
        f"the file ends inside {what}",
        place=place,
        mend="It was cut while it was written or copied; export it again for the rest.",
    )


def _offset(text: bytes, index: int) -> int:
    """Where token number `index` begins."""
    return next(islice(_TOKEN.finditer(text), index, None)).start()

"""Value change dump files (IEEE Std 1364-2005 section 18.2) to edges.

The declarations are read by `vcd_header`, the lines chosen by `vcd_channels`. The value changes go
by columns where they are regular (`vcd_matrix`, `vcd_scalars`), token by token where they are not
(`vcd_changes`); both leave their levels in one `LevelState`, so that either may go on where the
other stopped and nobody sees the seam.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from decoders.captures.edges import Assumed, Edges
from decoders.captures.vcd_body import PAD, VcdBody
from decoders.captures.vcd_changes import ChangeReader, cut_inside
from decoders.captures.vcd_channels import default_lines, wanted_lines
from decoders.captures.vcd_header import Declarations, HeaderReader
from decoders.captures.vcd_levels import LevelState
from decoders.captures.vcd_place import LONGEST_TOKEN, Cursor, printable, too_long, whole_tokens
from decoders.errors import CaptureError, Place

_BOM = b"\xef\xbb\xbf"
_FIRST_WORDS = frozenset(
    {b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$var", b"$enddefinitions"}
)
_SLICE_BYTES = 1 << 18  # text worked on at a time: with its columns it fits the second-level cache


def looks_vcd(head: bytes) -> bool:
    """Whether a file that begins so is a value change dump (unzipped; some hundred bytes do)."""
    words = head.removeprefix(_BOM).split(None, 1)
    return bool(words) and words[0] in _FIRST_WORDS


class VcdReader:
    """A fold from the bytes of a value change dump to edges; see `CaptureReader`.

    Args:
        name: file name, for errors.
        wanted: the lines that become channels, by full name (`bus.scl`, `bus.port[3]`) or its end,
            case apart; a stretch in which one of them is unknown (x) is then not observed.
            Without it: every one-bit net, 64 at most, and a line that is x keeps its level.
        by_columns: False reads every token in Python: slower, for comparison.
    """

    def __init__(
        self, name: str, *, wanted: Collection[str] | None = None, by_columns: bool = True
    ) -> None:
        self.name = name
        self.channels: tuple[str, ...] = ()
        self.assumed = Assumed()
        self.stopped: CaptureError | None = None
        self._wanted = wanted
        self._by_columns = by_columns
        self._cursor = Cursor(name)
        self._header = HeaderReader(self._cursor)
        self._begun = False  # whether anything was taken, so that a BOM is none of it
        self._carry = b""  # the last token, which may go on in the next chunk
        self._state: LevelState | None = None
        self._body: VcdBody | None = None

    def feed(self, chunk: bytes) -> list[Edges]:
        """Take the next bytes; return the edges they complete.

        Raises:
            CaptureError: if nothing of the file can be read.
        """
        for begin in range(0, len(chunk), _SLICE_BYTES):
            if self.stopped is None:
                self._guard(self._take, chunk[begin : begin + _SLICE_BYTES])
        return self._state.give() if self._state else []

    def finish(self) -> list[Edges]:
        """Return what was left; feed nothing after this.

        Raises:
            CaptureError: if nothing of the file could be read.
        """
        if self.stopped is None:
            self._guard(self._end)
        blocks = self._state.finish() if self._state else []
        if self._state and self.stopped is None and not self._state.rows.any:
            raise self._nothing_observed(self._state)
        return blocks

    def _guard(self, step: Callable[..., None], *arguments: bytes) -> None:
        """Keep an error as `stopped` when good rows came before it."""
        try:
            step(*arguments)
        except CaptureError as error:
            if self._state is None or not self._state.any_rows:
                raise
            self.stopped = error

    def _take(self, piece: bytes) -> None:
        text = b"".join((PAD, self._carry, piece, PAD))
        if b"\r" in text:
            text = text.replace(b"\r\n", b"\n")
        end = whole_tokens(text, len(PAD), len(text) - len(PAD))
        self._carry = text[end : -len(PAD)]
        self._read(text, len(PAD), end)
        if len(self._carry) > LONGEST_TOKEN:
            raise too_long(self._cursor, self._carry, 0)

    def _read(self, text: bytes, at: int, end: int) -> None:
        """Take whole tokens: text[at:end], with padding around."""
        if at < end and not self._begun:
            self._begun = True
            at += len(_BOM) * text.startswith(_BOM, at)
        if self._body is None:
            at += self._header.feed(text[at:end])
            if not self._header.done:
                return
            self._body = self._open()
        self._body.take(text, at, end)

    def _end(self) -> None:
        text = b"".join((PAD, self._carry, PAD))
        begin, end = len(PAD), len(text) - len(PAD)
        at = whole_tokens(text, begin, end)
        self._read(text, begin, at)
        last = text[at:end]
        if last:
            place = self._cursor.at(last, 0)
            try:
                self._read(text, at, end)
            except CaptureError as error:
                if self._body is None:
                    raise
                raise cut_inside(printable(last), place) from error
        if self._body is None:
            raise self._header.finish()
        self._body.finish()

    def _open(self) -> VcdBody:
        """Choose the lines, when the declarations have ended."""
        declarations, remarks = self._header.declarations, self.assumed.remarks
        if self._wanted is None:
            lines, told = default_lines(declarations.variables)
            remarks += told
        else:
            place = Place(self.name, declarations.line)
            lines = wanted_lines(declarations.variables, self._wanted, place)
        if not lines:
            raise self._no_lines(declarations)
        exponent = declarations.exponent
        if exponent is None:
            remarks.append("no $timescale: one unit is taken for 1 ns")
        elif exponent < 0:
            remarks.append(f"timescale {declarations.timescale}: times are cut to whole ns")
        self.channels = tuple(line.name for line in lines)
        strict = self._wanted is not None
        self._state = LevelState(self.channels, exponent or 0, strict, self.assumed)
        changes = ChangeReader(
            self._cursor, declarations.variables, lines, self._state, self.assumed
        )
        return VcdBody(self._cursor, self._state, changes, self.assumed, self._by_columns)

    def _no_lines(self, declarations: Declarations) -> CaptureError:
        found = ", ".join(f"{v.kind} {v.name}" for v in declarations.variables[:8])
        return CaptureError(
            "no variable with levels is declared",
            place=Place(self.name, declarations.line),
            mend=f"A wire or reg is needed; found: {found or 'no variable at all'}.",
        )

    def _nothing_observed(self, state: LevelState) -> CaptureError:
        place = Place(self.name, self._cursor.line)
        if not self.assumed.rows:
            return CaptureError(
                "no value changes after the declarations",
                place=place,
                mend="The capture is empty or was cut; export it again.",
            )
        names = ", ".join(repr(name) for name in state.never()[:4])
        return CaptureError(
            f"no level at all for {names}" if names else "the levels of the lines are never known",
            place=place,
            mend="Choose other lines, or capture again with the probes on these.",
        )

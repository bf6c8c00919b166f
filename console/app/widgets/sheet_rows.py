"""The rows of a sheet at some width: pieces of cleaned text, each with the name of its style.

The first cell of a row is for signs, so that nothing is told by colour alone: `*` differs from the
last good one, `+` changed as it should, `!` is wrong. Bytes that differ have a `*` before them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import groupby

from rich.cells import cell_len, chop_cells

from console.app.signs import signs_for
from console.app.timeline.pieces import Piece, Row, cut, filled
from console.printable import printable
from console.timeline.events import BAD, UNSEEN
from console.timeline.latency import latency_words
from console.timeline.sheet.lines import (
    Change,
    CheckCode,
    Field,
    Heading,
    Line,
    Link,
    More,
    RawBytes,
    Sheet,
    Told,
    Tone,
    Words,
)
from decoders.durations import in_words

STYLES = ("name", "value", "dim", "lit", "bad", "warning", "good", "hex", "heading", "title")
LEAST_PARTY = 8  # cells of a party's name beside how long a link took
NARROWEST = 20  # cells below which rows are cut instead
DIFFERS, STEPS, WRONG, UNSEEN_SIGN = "*", "+", "!", "?"
LEAST_NAME, MOST_NAME = 6, 16  # cells of the column of names; a longer name has its own row
LEAST_VALUE = 6  # cells
MOST_HEX = 4  # bytes shown beside a field
MOST_ROWS = 8  # of one value
_TONES = {
    Tone.PLAIN: "value",
    Tone.QUIET: "dim",
    Tone.GOOD: "good",
    Tone.WARNING: "warning",
    Tone.BAD: "bad",
}
_CHANGES = {Change.SAME: "dim", Change.NONE: "value", Change.STEPS: "value"}
_SEVERITIES = {"fault": "bad", "warning": "warning"}
_WORDS = re.compile(r"\s+|\S+")


def sheet_rows(sheet: Sheet, width: int, *, ascii_only: bool) -> list[Row]:
    """All rows of a sheet.

    Args:
        sheet: what to draw.
        width: cells of a row, none of which is wider.
        ascii_only: draw with ASCII characters alone.
    """
    drawn = _Rows(sheet, max(width, NARROWEST), ascii_only)
    drawn.draw()
    if width < NARROWEST:
        return [_cropped(row, width) for row in drawn.rows]
    return drawn.rows


def text_of(rows: Sequence[Row]) -> str:
    """Rows as plain text, a line each."""
    return "\n".join("".join(text for text, _ in row).rstrip() for row in rows)


def _cropped(row: Row, width: int) -> Row:
    left, kept = width, []
    for text, style in row:
        shown = cut(text, left, "")
        left -= cell_len(shown)
        kept.append((shown, style))
    return kept


class _Rows:
    def __init__(self, sheet: Sheet, width: int, ascii_only: bool) -> None:
        self.sheet, self.width, self.ascii_only = sheet, width, ascii_only
        self.body = width - 2  # beside the sign and a space
        self.signs = signs_for(ascii_only=ascii_only)
        self.rows: list[Row] = []
        fields = [line for line in sheet.lines if isinstance(line, Field | CheckCode)]
        named = [cell_len(self.clean(f.name)) + _indent(f) for f in fields]
        most = min(MOST_NAME, self.body // 3 + 2)
        self.name_cells = max((n for n in named if n <= most), default=LEAST_NAME)
        self.name_cells = max(self.name_cells, LEAST_NAME)
        placed = [f for f in fields if f.begin >= 0]
        self.offset_cells = max((len(str(f.begin)) for f in placed), default=0)
        shown = [_beside(f) for f in placed if isinstance(f, Field)]
        self.hex_cells = max(map(len, shown), default=0)
        left = self.body - self.name_cells - self.offset_cells - self.hex_cells - 3
        self.has_places = bool(placed) and left >= LEAST_VALUE

    def clean(self, text: str) -> str:
        """Text that may come from outside, safe to draw."""
        return printable(text, ascii_only=self.ascii_only)

    def draw(self) -> None:
        """The whole sheet."""
        self._head()
        if self.sheet.lines and not isinstance(self.sheet.lines[0], Heading):
            self.rows.append([("  ", "dim"), (self._rule() * self.body, "dim")])
        for line in self.sheet.lines:
            self._line(line)

    def add(self, sign: str, *pieces: Piece) -> None:
        """A row behind its sign."""
        style = {WRONG: "bad", DIFFERS: "lit", STEPS: "value"}.get(sign, "dim")
        self.rows.append([(f"{sign or ' '} ", style), *pieces])

    def paragraph(self, text: str, style: str, sign: str = "", indent: int = 0) -> None:
        """A text over as many rows as it needs; the sign stands at the first."""
        cells = self.body - indent
        for k, row in enumerate(wrapped([(self.clean(text), style)], cells)):
            self.add("" if k else sign, (" " * indent, "value"), *row)

    # --- head

    def _head(self) -> None:
        sheet = self.sheet
        sign = {BAD: WRONG, UNSEEN: UNSEEN_SIGN}.get(sheet.state, "")
        self.paragraph(sheet.title, "title", sign)
        self.paragraph(f"{sheet.time}{self._band()}", "value")
        self.paragraph(sheet.clock, "dim")
        for problem in sheet.problems:
            self.paragraph(problem, "bad", WRONG)
        if sheet.compared:
            self.paragraph(sheet.compared, "dim")
            self._differing()

    def _band(self) -> str:
        band_ns = self.sheet.band_ns
        if band_ns is None:
            return ", on its own clock alone"
        around = "+-" if self.ascii_only else "±"
        return f" {around}{in_words(band_ns)}" if band_ns else ""

    def _differing(self) -> None:
        """How many values differ; it tells what the signs mean too."""
        changes = [line.change for line in self.sheet.lines if isinstance(line, Field)]
        lit = sum(change.is_lit for change in changes)
        steps = changes.count(Change.STEPS)
        told: list[Piece] = []
        if lit:
            told.append((f"{DIFFERS} {lit:,} differ{'s' * (lit == 1)}", "lit"))
        if steps:
            told.append((f"{STEPS} {steps:,} step{'s' * (steps == 1)}", "value"))
        if not lit and any(change is not Change.NONE for change in changes):
            told.insert(0, ("nothing differs", "dim"))
        if told:
            spaced = [piece for each in told for piece in (("  ", "dim"), each)]
            for row in wrapped(spaced[1:], self.body):
                self.add("", *row)

    # --- lines

    def _line(self, line: Line) -> None:
        match line:
            case Heading():
                self._heading(line)
            case Field():
                self._field(line)
            case CheckCode():
                self._check(line)
            case RawBytes():
                self._raw(line)
            case Words():
                self._words(line)
            case Link():
                self._link(line)
            case Told():
                self._told(line)
            case More():
                text = f"{self._dots()} {line.count:,} more {line.what}"
                self.paragraph(text, "dim", indent=line.level)

    def _dots(self) -> str:
        return "..." if self.ascii_only else "…"

    def _rule(self) -> str:
        return "-" if self.ascii_only else "─"

    def _heading(self, line: Heading) -> None:
        text = cut(self.clean(line.text), self.body - 1, self.signs.ellipsis)
        rule = self._rule() * (self.width - cell_len(text) - 3)
        self.rows.append([("  ", "dim"), (text, "heading"), (f" {rule}", "dim")])

    def _words(self, line: Words) -> None:
        pieces: list[Piece] = []
        at = 0
        for begin, end in line.lit:
            pieces.append((self.clean(line.text[at:begin]), _TONES[line.tone]))
            pieces.append((self.clean(line.text[begin:end]), "lit"))
            at = end
        pieces.append((self.clean(line.text[at:]), _TONES[line.tone]))
        sign = WRONG if line.tone is Tone.BAD else DIFFERS if line.lit else ""
        for k, row in enumerate(wrapped(pieces, self.body)):
            self.add("" if k else sign, *row)

    def _field(self, line: Field) -> None:
        sign = WRONG if line.problems else DIFFERS if line.change.is_lit else ""
        sign = sign or (STEPS if line.change is Change.STEPS else "")
        style = "lit" if line.change.is_lit else _CHANGES.get(line.change, "value")
        value = self.clean(f"{line.value} {line.unit}".strip())
        was = f"was {self.clean(line.was)}" if line.was else ""
        if line.change is Change.NEW:
            was = "new"
        pieces: list[Piece] = [(value, "bad" if line.problems else style)]
        left = self._value_cells(line) - cell_len(value)
        # that a constant is as it must be needs no words
        allowed = "" if line.allowed.startswith("always") else self.clean(line.allowed)
        beside = was if was and line.change is not Change.STEPS else allowed
        if beside and len(beside) + 2 <= left and not line.problems:
            pieces.append((f"  {beside}", "dim"))
            was = "" if beside == was else was
        self._row(line, sign, pieces)
        if was and was != "new" and line.change is not Change.STEPS:
            self._under(was, "dim")
        for problem in line.problems:
            self._under(problem, "bad")

    def _check(self, line: CheckCode) -> None:
        said = {True: "right", False: "wrong", None: "not checked"}[line.is_right]
        style = {True: "good", False: "bad", None: "dim"}[line.is_right]
        pieces: list[Piece] = [(f"{self.clean(line.received)} {said}", style)]
        self._row(line, "" if line.is_right is not False else WRONG, pieces)
        if line.is_right is False:
            self._under(f"computed {line.computed}", "bad")
        self._under(self.clean(f"{line.code} over {line.over}" if line.over else line.code), "dim")

    def _under(self, text: str, style: str) -> None:
        """More about a field, under its value."""
        self.paragraph(text, style, indent=self.name_cells + 1)

    def _value_cells(self, line: Field | CheckCode) -> int:
        cells = self.body - self.name_cells - 1
        return cells - (self._beside_cells() + 1 if self.is_placed(line) else 0)

    def is_placed(self, line: Field | CheckCode) -> bool:
        """Whether there is room to tell its place in the bytes."""
        return self.has_places and line.begin >= 0

    def _beside_cells(self) -> int:
        return self.offset_cells + 1 + self.hex_cells

    def _row(self, line: Field | CheckCode, sign: str, pieces: list[Piece]) -> None:
        """Name, value, and where it stands in the bytes."""
        level = _indent(line)
        name = " " * level + self.clean(line.name)
        style = "lit" if isinstance(line, Field) and line.change.is_lit else "name"
        if isinstance(line, Field) and line.change is Change.SAME:
            style = "dim"
        if cell_len(name) > self.name_cells:
            self.paragraph(name.lstrip(), style, sign, indent=level)
            sign, name = "", ""
            if not any(text for text, _ in pieces):
                return
        name = filled(name, self.name_cells + 1, self.signs.ellipsis)
        cells = self._value_cells(line)
        beside = self._place(line) if self.is_placed(line) else []
        if beside and sum(cell_len(text) for text, _ in pieces) > cells:
            cells, beside = cells + self._beside_cells() + 1, []
        rows = wrapped(pieces, cells)[:MOST_ROWS]
        for k, row in enumerate(rows):
            fill = " " * (cells + 1 - sum(cell_len(text) for text, _ in row))
            end = [(fill, "value"), *beside] if beside and not k else []
            head = name if not k else " " * (self.name_cells + 1)
            self.add("" if k else sign, (head, style), *row, *end)

    def _place(self, line: Field | CheckCode) -> Row:
        """The offset of a field, and its bytes where they are few and not its value already."""
        shown = _beside(line) if isinstance(line, Field) else ""
        style = "dim"
        if isinstance(line, Field) and line.change is not Change.SAME:
            style = "hex"
        offset = f"{line.begin:>{self.offset_cells}} "
        return [(offset, "dim"), (f"{shown:<{self.hex_cells}}", style)]

    def _raw(self, line: RawBytes) -> None:
        digits = max(2, len(str(max(len(line.data) - 1, 0))))
        count = next((n for n in (16, 8, 4) if digits + 4 * n + 1 <= self.body), 2)
        for at in range(0, len(line.data), count):
            changes = line.changes[at : at + count]
            row = list(_raw_row(line.data[at : at + count], changes, count))
            lit = any(change.is_lit for change in changes)
            self.add(DIFFERS if lit else "", (f"{at:>{digits}}", "dim"), *row)
        if line.total > len(line.data):
            self._line(More(line.total - len(line.data), "bytes"))

    def _link(self, line: Link) -> None:
        wrong = line.outcome == "missing"
        took = ""
        if line.latency_ns is not None:
            known = latency_words(line.latency_ns, line.band_ns, self.signs.plus_minus)
            took = f"{known} {'before' if line.is_cause else 'after'}"
        room = self.body - cell_len(took) - 1
        aside = room < LEAST_PARTY  # then how long it took has rows of its own
        name = self.clean(line.party or line.table)
        party = filled(name, self.body - 1 if aside else room, self.signs.ellipsis)
        self.add(
            WRONG if wrong else "", (f"{party} ", "name"), *([] if aside else [(took, "value")])
        )
        if aside:
            self.paragraph(took, "value", indent=1)
        self.paragraph(line.what, "bad" if wrong else "value", indent=1)
        if line.by:
            self.paragraph(f"tied by {line.by}", "dim", indent=1)

    def _told(self, line: Told) -> None:
        style = _SEVERITIES.get(line.severity, "value")
        sign = WRONG if style == "bad" else ""
        self.paragraph(f"{line.severity}, {line.rule}", style, sign)
        self.paragraph(line.summary, "value", indent=1)


def _indent(line: Field | CheckCode) -> int:
    return line.level if isinstance(line, Field) else 0


def _beside(line: Field | CheckCode) -> str:
    """The bytes of a field, unless its value is nothing else."""
    if not isinstance(line, Field):
        return ""
    shown = line.content[:MOST_HEX].hex(" ").upper()
    if line.end - line.begin > MOST_HEX:
        shown = line.content[: MOST_HEX - 1].hex(" ").upper() + " .."
    return "" if line.value.startswith(shown) and len(shown) > 2 else shown


def _raw_row(data: bytes, changes: Sequence[Change], count: int) -> Iterator[Piece]:
    """One row of bytes in hex and as ASCII, a piece for each run of one style."""
    styles = [_byte_style(change) for change in changes] or ["hex"] * len(data)
    runs: list[tuple[str, bytes]] = []
    at = 0
    for style, run in groupby(styles):
        size = len(list(run))
        runs.append((style, data[at : at + size]))
        at += size
    for style, part in runs:
        before = DIFFERS if style == "lit" else " "
        yield before + part.hex(before).upper(), style
    yield "   " * (count - len(data)) + " ", "dim"
    for style, part in runs:
        yield "".join(chr(byte) if 32 <= byte < 127 else "." for byte in part), style


def _byte_style(change: Change) -> str:
    if change.is_lit:
        return "lit"
    return "dim" if change is Change.SAME else "hex"


def wrapped(pieces: Sequence[Piece], cells: int) -> list[Row]:
    """Cleaned pieces over rows of at most so many cells, broken between words where they can be."""
    if sum(cell_len(text) for text, _ in pieces) <= cells:
        return [list(pieces)]
    rows: list[Row] = [[]]
    left = cells = max(cells, 2)
    for text, style in pieces:
        for word in _WORDS.findall(text):
            size = cell_len(word)
            if size <= left:
                rows[-1].append((word, style))
                left -= size
                continue
            if word.isspace():
                left = 0  # a break stands for it
                continue
            parts = chop_cells(word, cells) if size > cells else [word]
            for part in parts:
                if rows[-1]:
                    rows.append([])
                rows[-1].append((part, style))
                left = cells - cell_len(part)
    return rows

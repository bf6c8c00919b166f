"""The list of marks: notes, times, and how far they are from each other and from here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.widget import Widget

from console.app.marks_shown import ShownMark
from console.app.signs import UNICODE, Signs
from console.app.state.kept import Mark
from console.app.timeline.pieces import Row, filled, right_filled
from console.app.widgets.list_rows import ListRows
from console.app.widgets.mark_line import MarkLine
from console.printable import printable
from console.timeline.finding.difference import Difference, difference_words

TIME = 17  # cells
DIFFERENCE = 33
WIDE = 120  # cells from which both differences have a column
NUMBER = 4


class MarkRows(ListRows):
    """The rows of the list."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "choose", "Go there", id="marks.go"),
    ]

    def __init__(self, signs: Signs) -> None:
        super().__init__()
        self.marks: Sequence[ShownMark] = ()
        self._signs = signs

    def row_count(self) -> int:
        """One a mark."""
        return len(self.marks)

    def head(self, width: int) -> Row:
        """What the columns are."""
        names = ["mark", "time", *(("from the one before",) if width >= WIDE else ()), "from here"]
        return self._row(names, "note", width, "head")

    def pieces(self, row: int, width: int) -> Row:
        """A mark: its number, time, differences and note."""
        shown = self.marks[row]
        cells = [str(row + 1), shown.time]
        if width >= WIDE:
            cells.append(self._words(shown.since_before))
        cells.append(self._words(shown.from_here))
        return self._row(cells, printable(shown.mark.note), width, "text")

    def _words(self, found: Difference | None) -> str:
        if found is None:
            return ""
        return difference_words(found, plus_minus=self._signs.plus_minus)

    def _row(self, cells: Sequence[str], note: str, width: int, style: str) -> Row:
        sizes = [NUMBER, TIME, *[DIFFERENCE] * (len(cells) - 2)]
        styles = [style] * len(cells) if style == "head" else ["quiet", "lit", *["text"] * 2]
        row: Row = [
            (right_filled(cell, size, self._signs.ellipsis) + "  ", name)
            for cell, size, name in zip(cells, sizes, styles, strict=False)
        ]
        rest = max(width - sum(sizes) - 2 * len(sizes), 0)
        return [*row, (filled(note, rest, self._signs.ellipsis), style)]


class MarksList(Vertical):
    """Lies over the foot of a screen while it is open. What it asks for is the parent's to do."""

    DEFAULT_CSS = """
    MarksList { dock: bottom; height: 40%; min-height: 6; display: none; background: $background; }
    MarksList.-open { display: block; }
    MarksList MarkRows { border-top: solid $panel; }
    MarksList.-ascii MarkRows { border-top: ascii $panel; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "note", "Note", id="marks.note"),
        Binding("delete", "remove", "Remove", id="marks.remove"),
        Binding("escape", "leave", "Leave", id="marks.leave"),
    ]

    class About(Message):
        """It is about one of the marks."""

        def __init__(self, mark: Mark) -> None:
            super().__init__()
            self.mark = mark

    class Chosen(About):
        """The user wants to go there."""

    class Removed(About):
        """The user wants it removed."""

    class Noted(About):
        """The user wants another note on it."""

        def __init__(self, mark: Mark, note: str) -> None:
            super().__init__(mark)
            self.note = note

    class Left(Message):
        """The list was closed."""

    def __init__(self, signs: Signs = UNICODE, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id, classes="-ascii" if signs.plus_minus.isascii() else "")
        self._signs = signs
        self._came_from: Widget | None = None

    def compose(self) -> ComposeResult:
        """The rows, and the line for a note."""
        yield MarkRows(self._signs)
        yield MarkLine(self._signs)

    @property
    def rows(self) -> MarkRows:
        """The rows."""
        return self.query_one(MarkRows)

    @property
    def is_open(self) -> bool:
        """Whether the list is shown."""
        return self.has_class("-open")

    def show(self, marks: Sequence[ShownMark]) -> None:
        """Open the list, or show it anew after a mark has changed; the cursor stays on its row."""
        self.rows.marks = tuple(marks)
        if not self.is_open:
            self._came_from = self.screen.focused
            self.add_class("-open")
            self.rows.focus()
        self.rows.renew()

    def close(self) -> None:
        """Close it and give the focus back to where it was."""
        self.remove_class("-open")
        if self._came_from is not None and self._came_from.is_attached:
            self._came_from.focus()

    @property
    def mark(self) -> Mark | None:
        """The mark under the cursor."""
        marks = self.rows.marks
        return marks[self.rows.cursor].mark if self.rows.cursor < len(marks) else None

    def on_list_rows_moved(self, message: ListRows.Moved) -> None:
        """Nobody else's business."""
        message.stop()

    def on_list_rows_chosen(self, message: ListRows.Chosen) -> None:
        """Go to the mark."""
        message.stop()
        if (mark := self.mark) is not None:
            self.close()
            self.post_message(self.Chosen(mark))

    def action_note(self) -> None:
        """Ask for another note."""
        if (mark := self.mark) is not None:
            self.query_one(MarkLine).open(mark.note, "note")

    def on_mark_line_marked(self, message: MarkLine.Marked) -> None:
        """Take the note."""
        message.stop()
        if (mark := self.mark) is not None:
            self.post_message(self.Noted(mark, message.note))

    def on_one_line_left(self, message: MarkLine.Left) -> None:
        """The note stays as it was."""
        message.stop()

    def action_remove(self) -> None:
        """Remove the mark."""
        if (mark := self.mark) is not None:
            self.post_message(self.Removed(mark))

    def action_leave(self) -> None:
        """Close the list."""
        self.close()
        self.post_message(self.Left())

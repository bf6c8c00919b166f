"""One line to type on that opens over the foot of a screen: the base of filter, search and others.

Closed it takes no room. Open it has the focus; Escape closes it and gives the focus back. While it
is typed on, what is said of the text waits for a pause. Subclasses say what the text means.
"""

from __future__ import annotations

import unicodedata
from typing import ClassVar

from rich.cells import cell_len
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.message import Message
from textual.timer import Timer
from textual.widget import Widget
from textual.widgets import Input, Label

from console.app.signs import UNICODE, Signs
from console.app.widgets.line_row import LineRow
from console.app.widgets.line_text import Offer, offers_row, trouble_row
from console.printable import printable

PAUSE_S = 0.2  # without a key before what was typed is looked at
LONGEST = 1_000  # characters


class TypedLine(Input):
    """The line itself: takes only characters that are drawn as they are."""

    DEFAULT_CSS = """
    TypedLine, TypedLine:focus {
        border: none; height: 1; width: 1fr; padding: 0; background: $panel;
    }
    """

    class AtEnd(Message):
        """The cursor should go right, and stands at the end."""

    def insert_text_at_cursor(self, text: str) -> None:
        """Put text at the cursor, without what has no known width."""
        super().insert_text_at_cursor(typable(text))

    def replace(self, text: str, start: int, end: int) -> None:
        """Put text in place of other, without what has no known width."""
        super().replace(typable(text), start, end)

    def action_cursor_right(self, select: bool = False) -> None:
        """Move right; at the end the parent may have something to offer."""
        if self.cursor_at_end and not select:
            self.post_message(self.AtEnd())
        super().action_cursor_right(select)


def typable(text: str) -> str:
    """Text without the characters that would have to be shown as something else."""
    return "".join(c for c in unicodedata.normalize("NFC", text) if printable(c) == c)


class OneLine(Vertical):
    """What is asked, the line, and below it what is wrong and what may come next."""

    DEFAULT_CSS = """
    OneLine { height: auto; display: none; background: $panel; }
    OneLine.-open { display: block; }
    OneLine Horizontal { height: 1; }
    OneLine Label { padding: 0 1; }
    OneLine .asked { color: $accent; }
    OneLine .told { color: $quiet; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Leave", id="line.leave"),
    ]
    ASKED = ""  # what is asked, in a word or two of our own

    class Left(Message):
        """The line was closed and nothing was asked for."""

    def __init__(self, signs: Signs = UNICODE, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.signs = signs
        self.pause_s = PAUSE_S
        self.offers: list[Offer] = []
        self.chosen = 0
        self._pause: Timer | None = None
        self._came_from: Widget | None = None

    def compose(self) -> ComposeResult:
        """Line, trouble, offers."""
        with Horizontal():
            yield Label(Content(self.ASKED), classes="asked", markup=False)
            yield TypedLine(compact=True, max_length=LONGEST, select_on_focus=False)
            yield Label("", classes="told", markup=False)
        yield LineRow(classes="trouble")
        yield LineRow(classes="offers")

    # --- open and closed

    @property
    def line(self) -> TypedLine:
        """Where the text is typed."""
        return self.query_one(TypedLine)

    @property
    def is_open(self) -> bool:
        """Whether the line is typed on."""
        return self.has_class("-open")

    def open(self, text: str = "", asked: str = "") -> None:
        """Open the line.

        Args:
            text: what stands on it already.
            asked: what is asked, where it is not the usual.
        """
        if not self.is_open:
            self._came_from = self.screen.focused
        self.query_one(".asked", Label).update(Content(printable(asked) or self.ASKED))
        self.tell("")
        self.show_trouble("")
        self.offer([])
        self.line.value = typable(text)
        self.line.cursor_position = len(self.line.value)
        self.add_class("-open")
        self.line.focus()
        self.call_after_refresh(self._reveal_cursor)
        self.typed(self.line.value)

    def _reveal_cursor(self) -> None:
        """Scroll a long text to its cursor: before the line has a size it cannot be."""
        at = self.line.cursor_position
        self.line.cursor_position = 0
        self.line.cursor_position = at

    def close(self) -> None:
        """Close it and give the focus back to where it was."""
        self._stop_pause()
        self.remove_class("-open")
        if self._came_from is not None and self._came_from.is_attached:
            self._came_from.focus()

    def action_leave(self) -> None:
        """Close it and ask for nothing."""
        self.close()
        self.post_message(self.Left())

    # --- what subclasses say

    def typed(self, text: str) -> None:
        """Called at every change."""

    def looked_at(self, text: str) -> None:
        """Called when there was a pause after a change."""

    def entered(self, text: str) -> None:
        """Called at Enter, the line still open."""

    # --- what is shown

    def tell(self, words: str) -> None:
        """Say something at the right of the line."""
        self.query_one(".told", Label).update(Content(printable(words)))

    def show_trouble(self, words: str, column: int | None = None, *, quiet: bool = False) -> None:
        """Say below the line what is wrong with the text; nothing clears it.

        Args:
            words: what is wrong.
            column: the character that is meant, counted from 1.
            quiet: whether it may still become right.
        """
        row = self.query_one(".trouble", LineRow)
        if not words:
            row.row = []
            return
        width = self.size.width or self.screen.size.width
        at = None if column is None else self._cell_of(column)
        row.row = trouble_row(words, at, width, self.signs, "quiet" if quiet else "bad")

    def _cell_of(self, column: int) -> int:
        """The cell of this widget under which a character of the line stands."""
        before = cell_len(self.line.value[: column - 1])
        asked = self.query_one(".asked", Label)
        return asked.outer_size.width + before - self.line.scroll_offset.x

    def offer(self, offers: list[Offer]) -> None:
        """Show what may come next; the first is the chosen one."""
        self.offers, self.chosen = offers, 0
        self._show_offers()

    def choose(self, by: int) -> None:
        """Choose another one of the offers."""
        if self.offers:
            self.chosen = (self.chosen + by) % len(self.offers)
            self._show_offers()

    def _show_offers(self) -> None:
        width = self.size.width or self.screen.size.width
        row = offers_row(self.offers, self.chosen, width, self.signs)
        self.query_one(".offers", LineRow).row = row

    # --- keys

    def on_input_changed(self, message: Input.Changed) -> None:
        """Look at the text when there was a pause."""
        message.stop()
        if not self.is_open:
            return
        self.typed(message.value)
        self._stop_pause()
        self._pause = self.set_timer(self.pause_s, lambda: self._look(message.value))

    def _look(self, text: str) -> None:
        if self.is_open and text == self.line.value:
            self.looked_at(text)

    def _stop_pause(self) -> None:
        if self._pause is not None:
            self._pause.stop()
            self._pause = None

    def on_input_submitted(self, message: Input.Submitted) -> None:
        """Take the text."""
        message.stop()
        self._stop_pause()
        self.entered(message.value)

"""One line that asks for a note."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.content import Content
from textual.message import Message
from textual.widgets import Input, Label


class NoteLine(Horizontal):
    """Asks for a note when it is opened; Enter takes it, Escape leaves all as it was."""

    DEFAULT_CSS = """
    NoteLine { height: 1; display: none; background: $panel; }
    NoteLine.-open { display: block; }
    NoteLine Label { padding: 0 1; color: $accent; }
    NoteLine Input { border: none; height: 1; width: 1fr; padding: 0; background: $panel; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Leave", id="note.leave"),
    ]

    class Given(Message):
        """The note was given; it may be empty."""

        def __init__(self, note: str) -> None:
            super().__init__()
            self.note = note

    class Left(Message):
        """The user wants none."""

    def compose(self) -> ComposeResult:
        """What is asked, and the line to write on."""
        yield Label(markup=False)
        yield Input(compact=True, max_length=500, select_on_focus=False)

    def ask(self, what: str, note: str = "") -> None:
        """Open the line.

        Args:
            what: in a few words of our own.
            note: what stands on it already.
        """
        self.query_one(Label).update(Content(what))
        line = self.query_one(Input)
        line.value = note
        line.cursor_position = len(note)
        self.add_class("-open")
        line.focus()

    @property
    def is_open(self) -> bool:
        """Whether a note is asked for."""
        return self.has_class("-open")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The note is given."""
        event.stop()
        self.remove_class("-open")
        self.post_message(self.Given(event.value.strip()))

    def action_leave(self) -> None:
        """Close it without a note."""
        self.remove_class("-open")
        self.post_message(self.Left())

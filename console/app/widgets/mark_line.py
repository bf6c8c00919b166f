"""The line for the note of a mark."""

from __future__ import annotations

from textual.message import Message

from console.app.widgets.one_line import OneLine


class MarkLine(OneLine):
    """Asks for a note; it may be empty."""

    ASKED = "mark"

    class Marked(Message):
        """The user wants a mark with this note."""

        def __init__(self, note: str) -> None:
            super().__init__()
            self.note = note

    def entered(self, text: str) -> None:
        """Take the note."""
        self.close()
        self.post_message(self.Marked(text.strip()))

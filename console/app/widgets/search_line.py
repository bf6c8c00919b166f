"""The search line: a text sought in all events."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from console.app.widgets.one_line import OneLine


class SearchLine(OneLine):
    """Asks for a text. Enter goes from match to match; searching is the parent's."""

    ASKED = "search"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("down", "seek(True)", "Next match", id="search.next"),
        Binding("up", "seek(False)", "Match before", id="search.before"),
    ]

    class Typed(Message):
        """There was a pause after a change: count the matches, if that is quick."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    class Sought(Message):
        """The user wants to go to the next match, or to the one before."""

        def __init__(self, text: str, forward: bool) -> None:
            super().__init__()
            self.text = text
            self.forward = forward

    def typed(self, text: str) -> None:
        """The count is of another text now."""
        self.tell("" if text else "Enter, down: next   up: before")

    def looked_at(self, text: str) -> None:
        """Ask for the count."""
        if text.strip():
            self.post_message(self.Typed(text))

    def entered(self, text: str) -> None:
        """Go to the next match; nothing to look for closes the line."""
        if text.strip():
            self.post_message(self.Sought(text, True))
        else:
            self.action_leave()

    def action_seek(self, forward: bool) -> None:
        """Go to a match."""
        if self.line.value.strip():
            self.post_message(self.Sought(self.line.value, forward))

    def count(self, matches: int, nth: int | None = None, *, wrapped: bool = False) -> None:
        """Say how many events match.

        Args:
            matches: how many.
            nth: which of them the user stands on, from 1.
            wrapped: whether the way there went round the end.
        """
        if not matches:
            self.tell("no event says it")
            return
        of = f"{nth:,} of {matches:,}" if nth is not None else f"{matches:,}"
        events = "event" if matches == 1 else "events"
        self.tell(f"{of} {events}{', went round' if wrapped else ''}")

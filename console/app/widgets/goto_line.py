"""The line that goes to a time."""

from __future__ import annotations

from textual.message import Message

from console.app.widgets.line_text import trouble_words
from console.app.widgets.one_line import OneLine
from console.timeline.finding.moments import Around, moment
from console.timeline.times import since_start
from decoders.errors import DescriptionError


class GotoLine(OneLine):
    """Asks for a time in any of the forms of `moments.py`; says while it is typed what is meant."""

    ASKED = "go to"

    class Chosen(Message):
        """The user wants to go to a moment."""

        def __init__(self, t_ns: int) -> None:
            super().__init__()
            self.t_ns = t_ns  # common axis

    around: Around | None = None  # what a time may be told by; set by the parent before it opens

    def typed(self, text: str) -> None:
        """What is told is of another text now."""
        self.tell("" if text else "34:07.9   +1.5s   50 %   mark 2")
        self.show_trouble("")

    def looked_at(self, text: str) -> None:
        """Say which moment it is, or what is missing."""
        if text.strip():
            self._read(text, quiet=True)

    def entered(self, text: str) -> None:
        """Go there; nothing closes the line."""
        if not text.strip():
            self.action_leave()
            return
        t_ns = self._read(text, quiet=False)
        if t_ns is not None:
            self.close()
            self.post_message(self.Chosen(t_ns))

    def _read(self, text: str, *, quiet: bool) -> int | None:
        if self.around is None:
            return None
        try:
            t_ns = moment(text, self.around)
        except DescriptionError as error:
            self.tell("")
            self.show_trouble(trouble_words(error), quiet=quiet)
            return None
        self.show_trouble("")
        self.tell(f"is {since_start(t_ns - self.around.start_ns)}")
        return t_ns

"""The filter line: a condition over all events, completed and checked while it is written."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from console.app.widgets.line_text import Offer, trouble_words
from console.app.widgets.one_line import OneLine, TypedLine
from console.timeline.finding.completing import Completion, completions
from console.timeline.finding.filtering import UnfinishedError, checked
from console.timeline.finding.vocabulary import Vocabulary
from decoders.errors import DescriptionError


class FilterLine(OneLine):
    """Asks for a condition. Enter applies it, an empty one shows all; filtering is the parent's."""

    ASKED = "filter"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("tab", "accept", "Complete", id="filter.complete"),
        Binding("down", "choose(1)", "Next offer", id="filter.next_offer", show=False),
        Binding("up", "choose(-1)", "Offer before", id="filter.offer_before", show=False),
    ]

    class Applied(Message):
        """The user wants the events for which this holds; "" wants all."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    vocabulary: Vocabulary | None = None  # names and values of the run; set by the parent
    _completions: tuple[Completion, ...] = ()

    def on_mount(self) -> None:
        """Offer something else wherever the cursor goes."""
        self.watch(self.line, "selection", self._offer, init=False)

    def typed(self, text: str) -> None:
        """Offer what may come next; what was wrong may be right now."""
        self.show_trouble("")
        self.tell("" if text else "Enter shows all")
        self._offer()

    def looked_at(self, text: str) -> None:
        """Say what is wrong."""
        self._check(text)

    def entered(self, text: str) -> None:
        """Apply the condition, unless something is wrong with it."""
        if self._check(text, entered=True):
            self.close()
            self.post_message(self.Applied(text.strip()))

    def _check(self, text: str, *, entered: bool = False) -> bool:
        """Whether the condition can be applied; shows why not."""
        if self.vocabulary is None:
            return True
        try:
            checked(text, self.vocabulary.tables, self.vocabulary.parties)
        except DescriptionError as error:
            quiet = not entered and isinstance(error, UnfinishedError)
            column = error.place.column if error.place is not None else None
            self.show_trouble(error.message if quiet else trouble_words(error), column, quiet=quiet)
            return False
        self.show_trouble("")
        return True

    def _offer(self) -> None:
        found: list[Completion] = []
        if self.vocabulary is not None and self.is_open:
            found = completions(self.line.value, self.line.cursor_position, self.vocabulary)
        self._completions = tuple(found)
        self.offer([Offer(one.text, one.note) for one in found])

    def action_choose(self, by: int) -> None:
        """Choose another offer."""
        self.choose(by)

    def action_accept(self) -> None:
        """Write the chosen offer."""
        if self._completions:
            text, cursor = self._completions[self.chosen].applied(self.line.value)
            self.line.value, self.line.cursor_position = text, cursor

    def on_typed_line_at_end(self, message: TypedLine.AtEnd) -> None:
        """At the end, right takes the offer too."""
        message.stop()
        self.action_accept()

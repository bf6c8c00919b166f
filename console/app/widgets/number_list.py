"""Which numbers there are, with a line to search them; several can be chosen."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.reactive import reactive
from textual.widgets import Input

from console.app.signs import signs_for
from console.app.widgets.list_rows import ListRows
from console.app.widgets.number_rows import NumberRows, number_rows
from console.timeline.numbers.number_series import NumericField

MOST_CHOSEN = 8  # as many as there are colours


class NumberList(Vertical):
    """The numbers of a run. Tells which are chosen; its parent shows them."""

    DEFAULT_CSS = """
    NumberList { width: 38; background: $background; }
    NumberList Input { border: none; height: 1; padding: 0 1; background: $surface; }
    NumberList Input:focus { background: $here; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("slash", "search", "Search", id="numbers.search", key_display="/"),
        Binding("escape", "all", "All numbers", id="numbers.all", show=False),
    ]

    fields: reactive[tuple[NumericField, ...]] = reactive((), init=False)
    chosen: reactive[tuple[NumericField, ...]] = reactive(
        (), init=False
    )  # in order of their curves

    class Chosen(Message):
        """The user wants these fields, in this order."""

        def __init__(self, fields: tuple[NumericField, ...]) -> None:
            super().__init__()
            self.fields = fields

    def __init__(self, *, ascii_only: bool = False, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.search = Input(placeholder="search numbers: /", compact=True)
        self.rows = NumberRows(signs_for(ascii_only=ascii_only), ascii_only=ascii_only)

    def compose(self) -> ComposeResult:
        """A line to search, and the rows."""
        yield self.search
        yield self.rows

    def watch_fields(self) -> None:
        """Show other fields."""
        self._fill()

    def watch_chosen(self) -> None:
        """Mark other fields as chosen."""
        self._fill()

    def _fill(self) -> None:
        if self.is_mounted:
            self.rows.fill(number_rows(self.fields, self.search.value), self.chosen)

    def on_mount(self) -> None:
        """Show what is there already."""
        self._fill()

    def on_input_changed(self, event: Input.Changed) -> None:
        """Show what fits, as it is typed."""
        event.stop()
        self._fill()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """From the search to the rows."""
        event.stop()
        self.rows.focus()

    def on_list_rows_chosen(self, event: ListRows.Chosen) -> None:
        """Take the field under the cursor in, or out again."""
        event.stop()
        field = self.rows.field
        if field is None:
            return
        others = tuple(each for each in self.chosen if each.key != field.key)
        if len(others) == len(self.chosen):
            others = (*others[: MOST_CHOSEN - 1], field)
        self.chosen = others
        self.post_message(self.Chosen(others))

    def on_list_rows_moved(self, event: ListRows.Moved) -> None:
        """Nobody else needs to know where the cursor stands."""
        event.stop()

    def action_search(self) -> None:
        """Type what to look for."""
        self.search.focus()

    def action_all(self) -> None:
        """Show all numbers again, and go to them."""
        self.search.value = ""
        self.rows.focus()

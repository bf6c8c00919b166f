"""What a user asks the timeline for in a line of text: a filter, a search, a time, a mark."""

from __future__ import annotations

from functools import partial
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.worker import get_current_worker

from console.app.marks_shown import between, known_moment, shown_marks
from console.app.run_view import RunView
from console.app.screens.run_screen import RunScreen
from console.app.state.kept import Mark
from console.app.timeline.going import next_one
from console.app.widgets.filter_line import FilterLine
from console.app.widgets.goto_line import GotoLine
from console.app.widgets.mark_line import MarkLine
from console.app.widgets.marks_list import MarksList
from console.app.widgets.search_line import SearchLine
from console.timeline.finding.difference import difference_words
from console.timeline.finding.filtering import Filtered, filtered
from console.timeline.finding.moments import Around, walls_of
from console.timeline.finding.searching import matches
from console.timeline.finding.vocabulary import Vocabulary
from decoders.errors import DescriptionError

Bools = npt.NDArray[np.bool_]


class AskingScreen(RunScreen):
    """Lines that open at the foot of the timeline, and what their answers do."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("slash", "ask_search", "Search", id="timeline.search"),
        Binding("f", "ask_filter", "Filter", id="timeline.filter"),
        Binding("g", "ask_time", "Go to", show=False, id="timeline.goto"),
        Binding("m", "ask_mark", "Mark", show=False, id="timeline.mark"),
        Binding("M", "list_marks", "Marks", show=False, id="timeline.marks"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.keep_mask: Bools | None = None  # what the filter line lets pass
        self.matches: Bools | None = None  # what the search found
        self.sought = ""
        self._vocabulary: tuple[RunView, Vocabulary] | None = None

    def compose_lines(self) -> ComposeResult:
        """The lines, closed."""
        for line in (FilterLine, SearchLine, GotoLine, MarkLine):
            yield line(self.signs)
        yield MarksList(self.signs)

    # --- what the screen below offers

    def place(self) -> tuple[int, int | None]:
        """Where the user stands: time and event."""
        raise NotImplementedError

    def go_to(self, t_ns: int, event: int | None) -> None:
        """Show a moment."""
        raise NotImplementedError

    def say(self, words: str) -> None:
        """Say something in the line below."""
        raise NotImplementedError

    def filter_changed(self) -> None:
        """Show the events that pass the filter now."""
        raise NotImplementedError

    def marks_changed(self) -> None:
        """Show the marks as they are now."""
        raise NotImplementedError

    # --- filter

    def action_ask_filter(self) -> None:
        """Open the filter line."""
        if self.view is None:
            return
        if self._vocabulary is None or self._vocabulary[0] is not self.view:
            self._vocabulary = self.view, Vocabulary(self.view.tables, self.view.parties)
        line = self.query_one(FilterLine)
        line.vocabulary = self._vocabulary[1]
        line.open(self.host.kept.filter)

    def on_filter_line_applied(self, message: FilterLine.Applied) -> None:
        """Filter, and keep the condition with the run."""
        self.host.kept.filter = message.text
        self.host.keep()
        self.refilter()

    def refilter(self) -> None:
        """Apply the filter that is kept to the run as it is now."""
        view, text = self.view, self.host.kept.filter
        if view is None or not text:
            self.keep_mask = None
            self.filter_changed()
            return
        self._filter(view, text)

    @work(thread=True, exclusive=True, group="filter", exit_on_error=True)
    def _filter(self, view: RunView, text: str) -> None:
        worker = get_current_worker()
        try:
            found = filtered(text, view.tables, view.events, view.parties)
        except DescriptionError as error:  # of another run, or an older one
            self.app.call_from_thread(self._not_filtered, error.message)
            return
        if not worker.is_cancelled:
            self.app.call_from_thread(self._filtered, view, found)

    def _filtered(self, view: RunView, found: Filtered) -> None:
        if view is not self.view:
            return
        self.keep_mask = found.mask if found.text else None
        self.filter_changed()
        if found.text:
            tables = ", ".join(name.replace("_", " ") for name in found.tables) or "no table"
            self.say(f"{found.count:,} of {len(view.events):,} events pass, from {tables}")

    def _not_filtered(self, why: str) -> None:
        self.keep_mask = None
        self.filter_changed()
        self.say(f"not filtered: {why}")

    # --- search

    def action_ask_search(self) -> None:
        """Open the search line."""
        line = self.query_one(SearchLine)
        line.open(self.sought)
        line.line.action_select_all()  # typing begins anew, Enter goes on

    def on_search_line_typed(self, message: SearchLine.Typed) -> None:
        """Count the matches."""
        if self.view is not None:
            self._search(self.view, message.text, None)

    def on_search_line_sought(self, message: SearchLine.Sought) -> None:
        """Go to the next match."""
        if self.view is None:
            return
        if self.matches is not None and message.text == self.sought:
            self._go_to_match(self.view, message.forward)
        else:
            self._search(self.view, message.text, message.forward)

    @work(thread=True, exclusive=True, group="search", exit_on_error=True)
    def _search(self, view: RunView, text: str, forward: bool | None) -> None:
        worker = get_current_worker()
        found = matches(text, view.tables, view.events)
        if not worker.is_cancelled:
            self.app.call_from_thread(self._searched, view, text, found, forward)

    def _searched(self, view: RunView, text: str, found: Bools, forward: bool | None) -> None:
        if view is not self.view:
            return
        self.sought, self.matches = text, found
        self.query_one(SearchLine).count(int(found.sum()))
        if forward is not None:
            self._go_to_match(view, forward)

    def _go_to_match(self, view: RunView, forward: bool) -> None:
        if self.matches is None:
            return
        shown = self.matches if self.keep_mask is None else self.matches & self.keep_mask
        t_ns, event = self.place()
        here = (event or 0, t_ns)
        found = next_one(view, "match", here, forward=forward, matches=shown)
        count = int(shown.sum())
        if isinstance(found, str):
            on_it = event is not None and bool(shown[event])
            self.query_one(SearchLine).count(count, 1 if on_it and count == 1 else None)
            return
        self.host.remember()
        self.go_to(found.t_ns, found.event)
        nth = int(shown[: (found.event or 0) + 1].sum())
        line = self.query_one(SearchLine)
        line.count(count, nth, wrapped=bool(found.words))
        if line.is_open:
            line.line.focus()

    # --- time

    def action_ask_time(self) -> None:
        """Open the line that goes to a time."""
        if self.view is None:
            return
        line = self.query_one(GotoLine)
        line.around = Around(
            start_ns=self.view.start_ns,
            end_ns=self.view.end_ns,
            here_ns=self.place()[0],
            marks=[(mark.t_ns, mark.note) for mark in self.marks()],
            walls=walls_of(self.view.evidence.clocks),
        )
        line.open()

    def on_goto_line_chosen(self, message: GotoLine.Chosen) -> None:
        """Go there."""
        self.host.remember()
        self.go_to(message.t_ns, None)

    # --- marks

    def marks(self) -> list[Mark]:
        """The marks by time."""
        return sorted(self.host.kept.marks, key=lambda mark: mark.t_ns)

    def action_ask_mark(self) -> None:
        """Ask for the note of a mark at this place."""
        if self.host.is_loading:
            self.say("a mark needs the whole run: it is still being read")
        elif self.view is not None:
            self.query_one(MarkLine).open()

    def on_mark_line_marked(self, message: MarkLine.Marked) -> None:
        """Set a mark here."""
        kept = self.host.kept
        t_ns, _ = self.place()
        kept.marks = [*(m for m in kept.marks if m.t_ns != t_ns), Mark(t_ns, message.note)]
        self.host.keep()
        self.marks_changed()
        self.say("marked; t counts times from here, M lists the marks")

    def action_list_marks(self) -> None:
        """Open the list of marks, or show it as they are now."""
        if self.view is None:
            return
        t_ns, event = self.place()
        if self.marks():
            known = partial(known_moment, self.view)
            here = known_moment(self.view, t_ns, event)
            listed = shown_marks(self.marks(), here, known, self.view.start_ns)
            self.query_one(MarksList).show(listed)
        else:
            self.query_one(MarksList).close()
            self.say("no mark is set: m sets one")

    def on_marks_list_chosen(self, message: MarksList.Chosen) -> None:
        """Go to a mark."""
        self.host.remember()
        self.go_to(message.mark.t_ns, None)

    def on_marks_list_removed(self, message: MarksList.Removed) -> None:
        """Remove a mark."""
        self._with_marks([m for m in self.host.kept.marks if m.t_ns != message.mark.t_ns])

    def on_marks_list_noted(self, message: MarksList.Noted) -> None:
        """Put another note on a mark."""
        t_ns = message.mark.t_ns
        noted = [Mark(t_ns, message.note) if m.t_ns == t_ns else m for m in self.host.kept.marks]
        self._with_marks(noted)

    def _with_marks(self, marks: list[Mark]) -> None:
        self.host.kept.marks = marks
        self.host.keep()
        self.marks_changed()
        self.action_list_marks()

    def since_mark(self) -> str:
        """How far the place is from the last mark set, and how well that is known."""
        view = self.view
        if view is None or not self.host.kept.marks:
            return ""
        mark = self.host.kept.marks[-1]
        t_ns, event = self.place()
        if t_ns == mark.t_ns:
            return f"on the mark {mark.note}".rstrip()
        found = between(known_moment(view, mark.t_ns), known_moment(view, t_ns, event))
        words = difference_words(found, plus_minus=self.signs.plus_minus)
        return f"since mark {mark.note}: {words}".replace("mark :", "the mark:")

"""The findings screen: what was found wrong, grouped by party and rule, and what it rests on."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Footer, Static

from console.app.acknowledged import key_of, note_of
from console.app.around import around
from console.app.finding_groups import SORTS, FindingRow, Place, Sort
from console.app.run_view import RunView
from console.app.screens.run_screen import GoTo, RunScreen
from console.app.watched_words import watched_words
from console.app.widgets.finding_detail import FindingDetail, Meant
from console.app.widgets.finding_list import FindingList
from console.app.widgets.head import Head
from console.app.widgets.note_line import NoteLine
from console.printable import printable_block
from console.watch.findings import counted

BEFORE, AFTER = 6, 12  # events told of around the place of a finding
OFF_AXIS = "Its times are of its own clock, which is on no common axis"


class FindingsScreen(RunScreen):
    """Findings; Enter leads to the place of one."""

    DEFAULT_CSS = """
    FindingsScreen #findings-told { height: 1; padding: 0 1; }
    FindingsScreen #findings-none { height: 1fr; padding: 1 2; display: none; }
    FindingsScreen.-none #findings-none { display: block; }
    FindingsScreen.-none FindingList, FindingsScreen.-none FindingDetail { display: none; }
    FindingsScreen FindingList { height: auto; max-height: 60%; }
    FindingsScreen FindingDetail { height: 1fr; border-top: solid $panel; }
    FindingsScreen.-ascii FindingDetail { border-top: ascii $panel; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("a", "acknowledge", "Acknowledge", id="findings.acknowledge"),
        Binding("u", "withdraw", "Withdraw", id="findings.withdraw"),
        Binding("v", "show_acknowledged", "Show, hide them", id="findings.shown"),
        Binding("s", "sort", "Sort", id="findings.sort"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.sort: Sort = SORTS[0]
        self.shows_acknowledged = False
        self._asked: FindingRow | None = None

    def compose(self) -> ComposeResult:
        """What there is in one line, the list, what the chosen one rests on."""
        self.set_class(self.signs.is_ascii, "-ascii")
        yield Head(signs=self.signs)
        yield Static(id="findings-told", markup=False)
        yield Static(id="findings-none", markup=False)
        yield FindingList(self.signs, id="findings")
        yield FindingDetail(self.signs)
        yield NoteLine()
        yield Footer()

    def show(self, view: RunView) -> None:
        """List the findings of a view."""
        self.query_one(Head).view = view
        every = list(view.evidence.findings)
        kept = self.host.kept
        new = [f for f in every if note_of(kept, f) is None]
        shown = every if self.shows_acknowledged else new
        self.query_one(FindingList).fill(view, kept, shown, self.sort)
        self.query_one("#findings-told", Static).update(
            self._told(len(shown), len(every) - len(new))
        )
        self.set_class(not shown, "-none")
        if not shown:
            words = "Nothing found." if not every else "All of it is acknowledged; v shows it."
            block = "\n".join([words, "", *watched_words(view)])
            told = printable_block(block, ascii_only=self.signs.is_ascii)
            self.query_one("#findings-none", Static).update(Content(told))
        if not self.query_one(NoteLine).is_open:
            self.query_one(FindingList).focus()

    def _told(self, shown: int, acknowledged: int) -> Content:
        """How many there are, in what order, and how many of them do not show."""
        parts: list[tuple[str, str]] = [
            (counted(shown, "finding"), "bold"),
            (f"  by {self.sort}", "$quiet"),
        ]
        if acknowledged and not self.shows_acknowledged:
            parts.append((f"  {acknowledged:,} acknowledged, hidden", "$quiet"))
        elif acknowledged:
            parts.append((f"  {acknowledged:,} acknowledged", "$quiet"))
        return Content.assemble(*parts)

    def on_list_rows_moved(self, message: FindingList.Moved) -> None:
        """Tell of the row under the cursor."""
        message.stop()
        self._tell()

    def on_finding_list_stepped(self, message: FindingList.Stepped) -> None:
        """Tell of another moment."""
        message.stop()
        self._tell()

    def _tell(self) -> None:
        found = self.query_one(FindingList)
        if found.row is None or found.place is None or self.view is None:
            return
        finding = found.place.finding
        clock = self.view.evidence.clocks.get(finding.source)
        is_off = clock is not None and not clock.has_place
        event = self._event(found.place)
        near = () if event is None else tuple(around(self.view, event, BEFORE, AFTER))
        meant = Meant(
            row=found.row,
            step=found.step,
            start_ns=self.view.evidence.start_ns,
            note=note_of(self.host.kept, finding),
            doubt=OFF_AXIS if is_off else "",
            event=event,
            near=near,
        )
        self.query_one(FindingDetail).show(meant)
        self.refresh_bindings()

    def _event(self, place: Place) -> int | None:
        """The event a place leads to; None in a run without any."""
        if self.view is None or not len(self.view.events):
            return None
        return self.view.event_of(replace(place.finding, t_ns=place.t_ns))

    def on_list_rows_chosen(self, message: FindingList.Chosen) -> None:
        """Go to the place."""
        message.stop()
        place = self.query_one(FindingList).place
        if place is not None:
            self.post_message(GoTo(place.t_ns, self._event(place)))

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys that would do nothing now do not show."""
        if action == "show_acknowledged" and self.view is not None:
            return bool(self.host.kept.acknowledged)
        if action == "withdraw" and self.is_mounted:
            row = self.query_one(FindingList).row
            kept = self.host.kept
            return row is not None and any(note_of(kept, f) is not None for f in row.findings)
        return super().check_action(action, parameters)

    def action_acknowledge(self) -> None:
        """Ask for the note to acknowledge the row under the cursor with."""
        row = self.query_one(FindingList).row
        if row is None:
            return
        self._asked = row
        note = note_of(self.host.kept, row.findings[0]) or ""
        self.query_one(NoteLine).ask("Acknowledge with a note, or none:", note)

    def on_note_line_given(self, message: NoteLine.Given) -> None:
        """Keep the note; the finding is acknowledged."""
        message.stop()
        if self._asked is not None:
            notes = {key_of(finding): message.note for finding in self._asked.findings}
            self.host.kept.acknowledged |= notes
            self.host.keep()
        self._renew()

    def on_note_line_left(self, message: NoteLine.Left) -> None:
        """All stays as it was."""
        message.stop()
        self.query_one(FindingList).focus()

    def action_withdraw(self) -> None:
        """Take the acknowledgement of the row under the cursor back."""
        row = self.query_one(FindingList).row
        if row is None:
            return
        for finding in row.findings:
            self.host.kept.acknowledged.pop(key_of(finding), None)
        self.host.keep()
        self._renew()

    def action_show_acknowledged(self) -> None:
        """Show or hide what was acknowledged."""
        self.shows_acknowledged = not self.shows_acknowledged
        self._renew()

    def action_sort(self) -> None:
        """Sort by the next thing."""
        self.sort = SORTS[(SORTS.index(self.sort) + 1) % len(SORTS)]
        self._renew()

    def _renew(self) -> None:
        if self.view is not None:
            self.show(self.view)

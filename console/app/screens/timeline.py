"""The timeline screen: story, ribbon, the timeline itself and the side sheet."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import Footer

from console.app.run_view import RunView
from console.app.screens.following import FollowingScreen
from console.app.timeline.columns import ordered
from console.app.timeline.going import Sort, next_one
from console.app.timeline.gutter import CLOCK_WORDS, CLOCKS
from console.app.timeline.ribbon import Ribbon
from console.app.timeline.rows import TimelineRows
from console.app.timeline.said_line import SaidLine
from console.app.timeline.standing import DEPTHS
from console.app.widgets.head import Head
from console.app.widgets.side_sheet import SideSheet
from console.timeline.explained import explained

SHEET_AFTER_S = 0.05  # a held key passes many events; only the one it stops on is explained


class TimelineScreen(FollowingScreen):
    """Parties side by side, time running down."""

    DEFAULT_CSS = """
    TimelineScreen Ribbon { height: 5; }
    TimelineScreen.-narrow Ribbon { height: 2; }
    TimelineScreen SideSheet { display: none; }
    TimelineScreen.with-sheet SideSheet { display: block; }
    TimelineScreen.-narrow.with-sheet SideSheet { width: 50%; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "sheet", "Sheet", id="timeline.sheet"),
        Binding("n", "next('finding', True)", "Next finding", id="timeline.next_finding"),
        *(
            Binding(key, action, words, show=False, id=f"timeline.{name}")
            for key, action, words, name in (
                ("N", "next('finding', False)", "Finding before", "finding_before"),
                ("p", "next('problem', True)", "Next problem", "next_problem"),
                ("P", "next('problem', False)", "Problem before", "problem_before"),
                ("s", "next('kind', True)", "Next of this kind", "next_kind"),
                ("S", "next('kind', False)", "Before, of this kind", "kind_before"),
                ("c", "next('party', True)", "Next of this party", "next_party"),
                ("C", "next('party', False)", "Before, of this party", "party_before"),
                ("apostrophe", "next('mark', True)", "Next mark", "next_mark"),
                ("quotation_mark", "next('mark', False)", "Mark before", "mark_before"),
                ("t", "clock", "Times", "clock"),
                ("h", "hide", "Hide column", "hide"),
                ("H", "show_all", "Show all columns", "show_all"),
                ("less_than_sign", "shift(-1)", "Column to the left", "shift_left"),
                ("greater_than_sign", "shift(1)", "Column to the right", "shift_right"),
            )
        ),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._led_to: int | None = None  # where the screen put the user, who has not moved since
        self._kept_at_first: tuple[int | None, str] | None = None  # place and depth, as opened

    def compose(self) -> ComposeResult:
        """The parts, from the top."""
        yield Head(signs=self.signs)
        yield Ribbon(signs=self.signs)
        with Horizontal():
            yield TimelineRows(signs=self.signs)
            yield SideSheet(ascii_only=self.host.ascii_only)
        yield from self.compose_lines()
        yield SaidLine()
        yield Footer()

    # --- what is shown

    def on_mount(self) -> None:
        """Begin with the sheet beside the timeline where there is room for it."""
        self.set_class(self.app.size.width >= 120, "with-sheet")
        super().on_mount()

    def show(self, view: RunView) -> None:
        """Fill the widgets from a view; the place stays, or is the gravest finding at first."""
        self.notice_moves()
        self.query_one(Head).view = view
        ribbon, rows = self.query_one(Ribbon), self.query_one(TimelineRows)
        leads = rows.view is None or rows.place_ns == self._led_to
        ribbon.view, self.matches = view, None
        self.mask_at_once(view)
        self._show_columns()
        if self.host.kept.filter and view.held is None:
            self.refilter()
        if not self.stand_on_newest(view) and leads:
            self._lead(view)

    def _lead(self, view: RunView) -> None:
        """Stand where the user left, else on the gravest finding: until the user goes elsewhere."""
        rows, kept = self.query_one(TimelineRows), self._kept_at_first
        if kept is None:
            kept = self._kept_at_first = (self.host.kept.place_ns, self.host.kept.depth)
        place_ns, depth = kept
        if place_ns is not None:
            self._led_to = place_ns
            rows.go_to(place_ns, None, next((d for d in DEPTHS if d == depth), None))
            self.ask_for(place_ns)
        elif (finding := view.gravest()) is not None:
            event = view.event_of(finding)
            self._led_to = int(view.events.t_ns[event])
            rows.go_to(self._led_to, event)
            self.ask_for(finding.t_ns)

    def _show_columns(self) -> None:
        """Show the columns the user wants, in their order, and the events that pass the filter."""
        if self.view is None:
            return
        kept = self.host.kept
        names = [party.name for party in self.view.parties.every]
        parties = ordered(names, kept.columns, kept.hidden) or list(range(len(names)))
        self.query_one(Ribbon).parties = tuple(parties)
        self.query_one(TimelineRows).show(self.view, parties, self.keep_mask)
        self.marks_changed()

    def filter_changed(self) -> None:
        """Show the events that pass the filter now."""
        self._show_columns()

    def marks_changed(self) -> None:
        """Show the marks as they are now."""
        marks = [mark.t_ns for mark in self.marks()]
        self.query_one(Ribbon).marks = tuple(marks)
        self.query_one(TimelineRows).marks_ns = frozenset(marks)
        self.query_one(SaidLine).standing = self.since_mark()

    def go_to(self, t_ns: int, event: int | None) -> None:
        """Show a moment."""
        self.hold_here()
        rows = self.query_one(TimelineRows)
        closer = rows.depth == "minutes" and event is not None
        rows.go_to(t_ns, event, "events" if closer else None)
        self.ask_for(t_ns)
        rows.focus()

    def place(self) -> tuple[int, int | None]:
        """Where the user stands: time and event."""
        rows = self.query_one(TimelineRows)
        return rows.place_ns, rows.event

    # --- following the timeline

    def on_timeline_rows_moved(self, message: TimelineRows.Moved) -> None:
        """Keep the ribbon, the sheet and what is kept with the timeline."""
        rows = self.query_one(TimelineRows)
        self.query_one(Ribbon).window = rows.visible_ns()
        note = self.query_one(SaidLine)
        below = rows.bits_below
        bits = f"{below} more lines of bits below: page down" if below > 0 else ""
        said = [words for words in (self.moved(), self._filter_words(), bits) if words]
        note.said, note.standing = "; ".join(said), self.since_mark()
        self.set_timer(SHEET_AFTER_S, lambda: self._explain(message.event))
        kept, here = self.host.kept, (rows.place_ns, rows.depth)
        led = here == (self._led_to, "events") or self.host.is_loading or self.is_live
        if (kept.place_ns, kept.depth) != here and not led:
            kept.place_ns, kept.depth = here
            self.host.keep()

    def _filter_words(self) -> str:
        """That not everything is shown, for as long as it is so."""
        text = self.host.kept.filter
        return f"filter: {text}" if text and self.keep_mask is not None else ""

    def _explain(self, event: int | None) -> None:
        """Explain the chosen event, unless the user has gone on."""
        if self.view is None or not self.has_class("with-sheet"):
            return
        if event != self.query_one(TimelineRows).event:
            return
        view = self.view
        self.query_one(SideSheet).sheet = (
            None
            if event is None
            else explained(
                view.tables, view.file, view.parties, view.events, event, start_ns=view.start_ns
            )
        )

    def on_ribbon_chosen(self, message: Ribbon.Chosen) -> None:
        """Go where the user pointed."""
        self.host.remember()
        self.go_to(message.t_ns, None)

    def on_head_story_chosen(self) -> None:
        """Go to the gravest finding."""
        if self.view is not None and (finding := self.view.gravest()) is not None:
            self.host.remember()
            self.go_to(finding.t_ns, self.view.event_of(finding))

    # --- keys

    def say(self, words: str) -> None:
        """Say something in the line below."""
        self.query_one(SaidLine).said = words

    def action_next(self, sort: Sort, forward: bool) -> None:
        """Go to the next one of a sort, or the one before."""
        if self.view is None:
            return
        t_ns, event = self.place()
        found = next_one(
            self.view,
            sort,
            (event or 0, t_ns),
            forward=forward,
            marks_ns=[mark.t_ns for mark in self.marks()],
            matches=self.matches,
        )
        if isinstance(found, str):
            self.say(found)
            return
        self.host.remember()
        self.go_to(found.t_ns, found.event)
        self.call_after_refresh(self.say, found.words)

    def action_sheet(self) -> None:
        """Open or close the side sheet."""
        self.toggle_class("with-sheet")
        self._explain(self.query_one(TimelineRows).event)

    def action_clock(self) -> None:
        """Write times another way."""
        rows = self.query_one(TimelineRows)
        marks = self.host.kept.marks
        offered = [
            clock
            for clock in CLOCKS
            if (clock != "wall" or (self.view is not None and self.view.wall_ns is not None))
            and (clock != "mark" or marks)
        ]
        at = offered.index(rows.clock) if rows.clock in offered else -1
        rows.mark_ns = marks[-1].t_ns if marks else None
        rows.clock = offered[(at + 1) % len(offered)]
        self.call_after_refresh(self.say, f"times: {CLOCK_WORDS[rows.clock]}")

    def action_hide(self) -> None:
        """Hide the chosen column; the last one stays."""
        rows, kept = self.query_one(TimelineRows), self.host.kept
        if self.view is None or rows.party is None or len(rows.parties) < 2:
            return
        name = self.view.parties.every[rows.party].name
        kept.hidden = [*kept.hidden, name]
        self._columns_changed(f"{name} is hidden; H shows all")

    def action_show_all(self) -> None:
        """Show every column."""
        self.host.kept.hidden = []
        self._columns_changed("all columns are shown")

    def action_shift(self, places: int) -> None:
        """Move the chosen column."""
        rows = self.query_one(TimelineRows)
        at, count = rows.standing.chosen_party, len(rows.parties)
        to = at + places
        if self.view is None or not 0 <= to < count:
            return
        order = list(rows.parties)
        order.insert(to, order.pop(at))
        self.host.kept.columns = [self.view.parties.every[k].name for k in order]
        rows.standing.choose_column(to)
        self._columns_changed("")

    def _columns_changed(self, words: str) -> None:
        self.host.keep()
        self._show_columns()
        self.call_after_refresh(self.say, words)

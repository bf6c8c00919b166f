"""Following a run while it is recorded, and asking for parts of it that are not here."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType

from console.app.following import Hold, LookAt
from console.app.run_view import RunView
from console.app.screens.asking import AskingScreen
from console.app.timeline.rows import TimelineRows
from console.timeline.finding.filtering import filtered
from decoders.errors import DescriptionError

FOLLOWING = "following the newest events; any move stays where it goes"
HELD = "not following any more; F goes to the newest events"
ASKED = "reading what is there from the run"


class FollowingScreen(AskingScreen):
    """Stands on the newest event until the user moves; asks for what lies beyond what is here."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("F", "follow", "Follow", id="timeline.follow"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.follows = True  # where a run grows
        self._was_put_there = False  # on the newest event, by us
        self._beyond_ns: int | None = None  # the edge beyond which was asked last
        self._asked_ns: int | None = None  # the part that was asked for, until it is shown

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There is something to follow only in a recorded run."""
        if action == "follow":
            return self.view is not None and self.view.held is not None
        return super().check_action(action, parameters)

    @property
    def is_live(self) -> bool:
        """Whether the newest events of a run that grows are followed."""
        held = None if self.view is None else self.view.held
        return held is not None and held.grows and self.follows

    def action_follow(self) -> None:
        """Go to the newest events and stay with them; the same key ends that."""
        if self.is_live:
            self._follow_no_more()
            return
        self.follows, self._was_put_there = True, False
        self.post_message(LookAt(None))
        self.say(FOLLOWING)

    def notice_moves(self) -> None:
        """Before another view is shown: a move the user made on this one may not be told yet."""
        if self.follows and self._has_left():
            self._follow_no_more()

    def _has_left(self) -> bool:
        """Whether the user has left the newest event, on which we had put them."""
        shown, cursor = self.query_one(TimelineRows).shown, self.query_one(TimelineRows).cursor
        return self._was_put_there and shown is not None and cursor < len(shown) - 1

    def stand_on_newest(self, view: RunView) -> bool:
        """Go to the newest event of a new view, if it is followed; whether it is."""
        self._asked_ns = None
        if view.held is None or not view.held.is_newest or not self.follows:
            return False
        rows = self.query_one(TimelineRows)
        is_opened = rows.place_ns == 0
        rows.action_end(1)
        if is_opened and not view.held.grows:
            return False  # opened when it was over: where there is a story, it leads elsewhere
        self._was_put_there = True
        return view.held.grows

    def ask_for(self, t_ns: int) -> None:
        """Ask for the part around a moment, if it is not here."""
        view = self.view
        if view is None or view.held is None or self._asked_ns == t_ns:
            return
        begin, end = view.held.span_ns
        if not begin <= t_ns <= end:
            self._asked_ns = t_ns
            self.post_message(LookAt(t_ns))
            self.say(ASKED)

    def hold_here(self) -> None:
        """Follow no more: the user asked for a moment, be it the newest there is by now."""
        if self.is_live:
            self._follow_no_more()

    def moved(self) -> str:
        """The user or a new view moved the timeline; what there is to say of it."""
        view, rows = self.view, self.query_one(TimelineRows)
        if view is None or view.held is None or rows.shown is None or not len(rows.shown):
            return ""
        is_first, is_last = rows.cursor == 0, rows.cursor == len(rows.shown) - 1
        if self.follows and view.held.grows:
            if not self._has_left():
                return FOLLOWING
            self._follow_no_more()
        begins_here = view.held.span_ns[0] <= view.start_ns
        if (is_first and not begins_here) or (is_last and not view.held.is_newest):
            self._ask_beyond(rows.place_ns)
        if self._asked_ns is not None:
            return ASKED
        return HELD if view.held.grows else ""

    def mask_at_once(self, view: RunView) -> None:
        """Filter a part now: it is small, and the next one comes soon."""
        self.keep_mask = None
        text = self.host.kept.filter
        if view.held is not None and text:
            try:
                found = filtered(text, view.tables, view.events, view.parties)
            except DescriptionError:  # told when it was asked for
                return
            self.keep_mask = found.mask if found.text else None

    def _ask_beyond(self, t_ns: int) -> None:
        """Ask for the part around the edge; once for each place: there may be no more."""
        if self._asked_ns is None and self._beyond_ns != t_ns:
            self._asked_ns = self._beyond_ns = t_ns
            self.post_message(LookAt(t_ns))

    def _follow_no_more(self) -> None:
        self.follows = False
        self.post_message(Hold())
        self.say(HELD)

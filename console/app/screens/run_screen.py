"""What every screen over a run has: the run, a head line, keys to the other screens."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, cast

from textual.message import Message
from textual.reactive import reactive
from textual.screen import Screen

from console.app.signs import Signs, signs_for
from console.app.state.kept import Kept
from console.app.widgets.status import Status

if TYPE_CHECKING:
    from console.app.run_view import RunView
    from console.timeline.alignment.decisions import Decisions


class Host(Protocol):
    """What a screen asks of the app."""

    ascii_only: bool
    kept: Kept  # changed in place
    is_loading: bool  # more is to come, and the axis may still move

    def keep(self) -> None:
        """Save what is kept."""

    def remember(self) -> None:
        """Keep where the user is, for the way back."""

    @property
    def can_settle(self) -> bool:
        """Whether the run is read, so that its clocks can be settled otherwise."""


class GoTo(Message):
    """Show a moment on the timeline; the app keeps where the user was, for the way back."""

    def __init__(self, t_ns: int, event: int | None = None) -> None:
        super().__init__()
        self.t_ns = t_ns  # common axis
        self.event = event  # index into the view's events, where one is meant


class Decided(Message):
    """The user decided about clocks; the app settles them again and sets another view."""

    def __init__(self, decisions: Decisions) -> None:
        super().__init__()
        self.decisions = decisions


class RunScreen(Screen[None]):
    """A screen over one run. The app sets `view`, again when more has been read."""

    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012 - as the base class declares it
        (0, "-narrow"),
        (100, "-normal"),
        (160, "-wide"),
    ]

    view: reactive[RunView | None] = reactive(None, init=False)

    @property
    def host(self) -> Host:
        """The app this screen is one of."""
        return cast("Host", self.app)

    @property
    def signs(self) -> Signs:
        """The characters to draw with."""
        return signs_for(ascii_only=self.host.ascii_only)

    def watch_view(self, view: RunView | None) -> None:
        """Show another run, or the same with more read."""
        if view is not None and self.is_mounted:
            self.show(view)

    def on_mount(self) -> None:
        """Show what is there already, and how the opening goes."""
        self.mount(Status(self.signs))
        if self.view is not None:
            self.show(self.view)

    def show(self, view: RunView) -> None:
        """Fill the widgets from a view; called again when more has been read."""
        raise NotImplementedError

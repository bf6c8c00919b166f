"""The lockup screen: what stopped, when, after how many, what was different, what to try next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.message import Message
from textual.widgets import Footer, Static
from textual.worker import get_current_worker

from console.app.run_view import RunView
from console.app.screens.run_screen import GoTo, RunScreen
from console.app.state.kept import KeptOutcome
from console.app.widgets.head import Head
from console.app.widgets.life_bar import LifeBar
from console.app.widgets.story_list import StoryList
from console.diagnosis.causes.experiments import Outcome
from console.diagnosis.causes.outcomes_file import known
from console.diagnosis.story import Story
from console.pipeline.telling import Told, told, told_of
from console.watch.names import address_text

WORKING = "Looking at what was different, and at what could have done it .."
NOTHING = "No peripheral stopped answering in this run."
NO_BUS = (
    "No transaction of a bus was recorded here: whether a peripheral stopped answering cannot be "
    "said. Record a capture of the bus too."
)


class LockupScreen(RunScreen):
    """One episode told on one page; its lines lead to their evidence."""

    DEFAULT_CSS = """
    LockupScreen #lockup-none { height: 1fr; padding: 1 2; }
    LockupScreen LifeBar, LockupScreen StoryList { display: none; }
    LockupScreen.-told LifeBar, LockupScreen.-told StoryList { display: block; }
    LockupScreen.-told #lockup-none, LockupScreen.-whole LifeBar { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("right_square_bracket", "next(1)", "Next story", id="lockup.next"),
        Binding("left_square_bracket", "next(-1)", "Story before", id="lockup.before"),
    ]

    class Ready(Message):
        """The stories of a view were made."""

        def __init__(self, view: RunView, told: Told) -> None:
            super().__init__()
            self.view, self.told = view, told

    def __init__(self) -> None:
        super().__init__()
        self.chosen = 0  # which story is shown
        self._told: Told | None = None
        self._of: RunView | None = None  # what is shown
        self._told_of: RunView | None = None  # whose stories they are, while others are made
        self._is_making = False

    @property
    def stories(self) -> Sequence[Story]:
        """Of the view that is shown; none before they were made."""
        return () if self._told is None else self._told.stories

    def compose(self) -> ComposeResult:
        """The lives of the device, the story, or why there is none."""
        self.set_class(self.signs.is_ascii, "-ascii")
        yield Head(signs=self.signs)
        yield LifeBar(self.signs)
        yield StoryList(self.signs, id="lockup")
        yield Static(WORKING, id="lockup-none", markup=False)
        yield Footer()

    def show(self, view: RunView) -> None:
        """Make the stories of a view, unless they are there."""
        self.query_one(Head).view = view
        if self._of is not view:
            self._of = view
            if not (_grows(view) and self._is_making):  # looks may come faster than stories
                self._start(view)
            if not self.stories:
                self._tell()

    def _start(self, view: RunView) -> None:
        self._is_making = True
        self._make(view, self._outcomes)

    @property
    def _outcomes(self) -> list[Outcome]:
        """Of experiments, as the user recorded them."""
        return known(
            Outcome(each.experiment, each.outcome, device)
            for device, kept in self.host.kept.outcomes.items()
            for each in kept
        )

    @work(thread=True, exclusive=True, group="stories")
    def _make(self, view: RunView, outcomes: list[Outcome]) -> None:
        worker = get_current_worker()
        stop = lambda: worker.is_cancelled  # noqa: E731 - what it is asked is one word
        found = told(view.evidence, view.bench, outcomes=outcomes, stop=stop)
        if not worker.is_cancelled:
            self.post_message(self.Ready(view, found))

    def on_lockup_screen_ready(self, message: Ready) -> None:
        """Tell the one that was chosen before, or the gravest."""
        view = self._of
        if view is None or not (message.view is view or _grows(view)):
            return
        self._is_making = False
        self._told, self._told_of = message.told, message.view
        self.chosen = min(self.chosen, max(len(self.stories) - 1, 0))
        self._tell()
        if message.view is not view:
            self._start(view)

    def _tell(self) -> None:
        self.set_class(bool(self.stories), "-told")
        if not self.stories or self._told is None or self._of is None:
            self.query_one("#lockup-none", Static).update(Content(self._why_none()))
            return
        story = self.stories[self.chosen]
        lives = [life for life in self._told.looked.episodes if life.device == story.episode.device]
        span = self._of.start_ns, self._of.end_ns
        self.query_one(LifeBar).show(lives, story.episode, span)
        found = self.query_one(StoryList)
        count = len(self.stories)
        which = f"{self.chosen + 1} of {count}" if count > 1 else ""
        self.set_class(not story.episode.device, "-whole")
        if self._is_at_the_top(story):
            story = replace(story, head=_who(story))
        found.fill(story, self._of.start_ns, which)
        found.focus()

    def _why_none(self) -> str:
        """Why no story is shown: none was made yet, none is to be made, or none could be."""
        if self._of is None or self._told_of is not self._of:
            return WORKING
        transactions = self._of.evidence.tables.get("transactions")
        return NOTHING if transactions is not None and transactions.height else NO_BUS

    def _is_at_the_top(self, story: Story) -> bool:
        """Whether the head of the screen tells the same in its finding."""
        finding = None if self._of is None else self._of.gravest()
        episode = story.episode
        is_stop = finding is not None and finding.evidence.get("device") == episode.device
        return is_stop and finding is not None and finding.t_ns == episode.first_bad_ns

    def action_next(self, by: int) -> None:
        """Another story."""
        if self.stories:
            self.chosen = (self.chosen + by) % len(self.stories)
            self._tell()

    def on_life_bar_chosen(self, message: LifeBar.Chosen) -> None:
        """Go to a moment of the run."""
        message.stop()
        self.post_message(GoTo(message.t_ns))

    def on_story_list_came_out(self, message: StoryList.CameOut) -> None:
        """Keep what came of an experiment, or take it back, and rank the causes anew."""
        message.stop()
        if self._of is None or not self.stories:
            return
        outcome = KeptOutcome(*message.outcome)
        device = self.stories[self.chosen].episode.device
        before = self.host.kept.outcomes.get(device, [])
        others = [each for each in before if each.experiment != outcome.experiment]
        kept = others if outcome in before else [*others, outcome]
        self.host.kept.outcomes = {**self.host.kept.outcomes, device: kept}
        self.host.keep()
        if self._told is not None:  # what was found of the run is the same
            self._told = told_of(self._told.looked, self._outcomes)
            self._tell()

    def on_list_rows_chosen(self, message: StoryList.Chosen) -> None:
        """Go to the evidence."""
        message.stop()
        place, view = self.query_one(StoryList).place, self._of
        if place is not None and view is not None:
            is_of_view = place.table and self._told_of is view  # rows of another view are others
            event = view.events.find(place.table, place.row) if is_of_view else None
            self.post_message(GoTo(place.t_ns, event))


def _who(story: Story) -> str:
    """Whose story it is and where that sits; one without a name is called so already."""
    episode = story.episode
    address = address_text(episode.address, episode.address_bits)
    is_named = not episode.device.startswith(address)
    return f"{episode.device}, {address} on {episode.bus}" if is_named else episode.device


def _grows(view: RunView) -> bool:
    """Whether it is a look at a run that is being recorded."""
    return view.held is not None and view.held.grows

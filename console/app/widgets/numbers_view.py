"""The body of the numbers screen: which numbers there are, those chosen over time, and steps."""

from __future__ import annotations

from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.events import Resize
from textual.message import Message
from textual.reactive import reactive
from textual.widgets import Static
from textual.worker import Worker, WorkerState

from console.app.numbers_shown import Numbered, NumberSource, Shown
from console.app.signs import signs_for
from console.app.widgets.list_rows import ListRows
from console.app.widgets.number_list import NumberList
from console.app.widgets.plot import Plot
from console.app.widgets.step_figures import StepFigures
from console.bench.model import Bench
from console.timeline.numbers.number_series import NumericField, Tables
from console.timeline.numbers.numeric_fields import Packets
from console.timeline.numbers.step_response import SETTLED_SHARE, StepResponse
from console.timeline.numbers.target_pairs import TargetPair

NARROW = 100  # cells below which the list and the plots take turns
SETTLED = (SETTLED_SHARE, 0.05, 0.01, 0.1)  # what `e` goes through
_AROUND_STEP = 0.15  # of a step, shown before and after it
_FIND, _READ = "numbers-find", "numbers-read"


class NumbersView(Horizontal):
    """Numbers of a run over time. Tells where the user wants to be; the app moves all screens.

    Args:
        tables: the evidence, by table.
        bench: whose rules limit the numbers.
        packets: packet descriptions by device.
        start_ns: where the run begins, common axis.
        end_ns: where it ends.
        ascii_only: whether to draw with ASCII alone.
    """

    DEFAULT_CSS = """
    NumbersView { height: 1fr; background: $background; }
    NumbersView .plots { width: 1fr; padding: 0 0 0 1; }
    NumbersView StepFigures, NumbersView .note { display: none; }
    NumbersView.-steps StepFigures, NumbersView.-steps .note { display: block; }
    NumbersView .note { height: auto; max-height: 2; color: $quiet; padding: 0 1; }
    NumbersView.-narrow NumberList { display: none; width: 1fr; }
    NumbersView.-narrow .plots { padding: 0; }
    NumbersView.-narrow.-list NumberList { display: block; }
    NumbersView.-narrow.-list .plots { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("l", "list", "Numbers", id="numbers.list"),
        Binding("t", "pair", "Set point", id="numbers.pair"),
        Binding("e", "settled", "Settled within", id="numbers.settled"),
    ]

    place_ns: reactive[int] = reactive(0, init=False)

    class PlaceChosen(Message):
        """The user moved to `t_ns` on the common axis."""

        def __init__(self, t_ns: int) -> None:
            super().__init__()
            self.t_ns = t_ns

    def __init__(
        self,
        tables: Tables,
        bench: Bench,
        packets: Packets,
        start_ns: int,
        end_ns: int,
        *,
        ascii_only: bool = False,
        id: str | None = None,  # noqa: A002 - as every widget has it
    ) -> None:
        super().__init__(id=id)
        self._source = NumberSource(tables, bench.rules, packets)
        self._span_ns = (start_ns, end_ns)
        self._ascii_only = ascii_only
        self._numbered = Numbered((), (), ())
        self._paired: list[TargetPair | None] = [None]  # what `t` goes through, the first shown
        self._settled_share = SETTLED_SHARE
        self._shown = Shown((), None, ())
        self.numbers = NumberList(ascii_only=ascii_only)
        self.plot = Plot(start_ns=start_ns)
        signs = signs_for(ascii_only=ascii_only)
        self.figures = StepFigures(signs, start_ns=start_ns, ascii_only=ascii_only)
        self._note = Static(classes="note", markup=False)

    def compose(self) -> ComposeResult:
        """List, plots and figures."""
        yield self.numbers
        with Vertical(classes="plots"):
            yield self.plot
            yield self.figures
            yield self._note

    def on_mount(self) -> None:
        """Look for the numbers there are."""
        self.plot.ascii_only = self._ascii_only
        self.plot.whole_ns = (self._span_ns[0], self._span_ns[1] + 1)
        self.plot.place_ns = self.place_ns
        self._find()

    def show(self, tables: Tables, start_ns: int, end_ns: int) -> None:
        """Show the same run with more read; what is chosen and where the user is stays."""
        self._source = NumberSource(tables, self._source.rules, self._source.packets)
        self._span_ns = (start_ns, end_ns)
        self._shown = Shown((), None, ())
        self.plot.whole_ns = (start_ns, end_ns + 1)
        self.plot.start_ns = self.figures.start_ns = start_ns
        self._find()

    def watch_place_ns(self, place_ns: int) -> None:
        """Show another place."""
        if self.is_mounted:
            self.plot.place_ns = place_ns
            self.figures.go_to(place_ns)
            self._tell_note()

    def on_resize(self, event: Resize) -> None:
        """List and plots take turns where both have no room."""
        self.set_class(event.size.width < NARROW, "-narrow")

    def _find(self) -> None:
        self.run_worker(self._source.numbered, thread=True, exclusive=True, group=_FIND)

    def _read(self) -> None:
        """Read what is chosen, on a thread: millions of rows take a second."""
        asked = self.numbers.chosen, self._paired[0], self._shown.series, self._settled_share
        work = partial(self._source.shown, *asked)
        self.run_worker(work, thread=True, exclusive=True, group=_READ)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """Take in what a thread found."""
        if event.state is not WorkerState.SUCCESS:
            return
        result = event.worker.result
        if isinstance(result, Numbered):
            self._take_fields(result)
        elif isinstance(result, Shown):
            self._take_series(result)

    def _take_fields(self, numbered: Numbered) -> None:
        self._numbered = numbered
        by_key = {field.key: field for field in numbered.fields}
        chosen = self.numbers.chosen
        kept = tuple(by_key[field.key] for field in chosen if field.key in by_key)
        self.numbers.fields = numbered.fields
        self.numbers.chosen = kept if chosen else numbered.first
        self._choose()

    def _take_series(self, shown: Shown) -> None:
        self._shown = shown
        self.plot.series = shown.series
        self.set_class(shown.pair is not None, "-steps")
        if shown.pair is not None:
            told = shown.pair.target.unit, shown.pair.why, shown.gains
            self.figures.fill(shown.steps, *told)
            self.figures.go_to(self.place_ns)
            self._tell_note()

    def on_number_list_chosen(self, event: NumberList.Chosen) -> None:
        """Show other numbers."""
        event.stop()
        self._choose()

    def _choose(self) -> None:
        """Read the chosen numbers, with the pair their names suggest, if any."""
        chosen = self.numbers.chosen
        keys = {field.key for field in chosen}
        suggested = [p for p in self._numbered.pairs if {p.target.key, p.measured.key} <= keys]
        self._paired = [*suggested, *_by_hand(chosen, suggested), None]
        if not suggested:  # nothing says that one is a set point; the user may
            self._paired = [None, *self._paired[:-1]]
        self._read()

    def action_pair(self) -> None:
        """Take another two of the chosen numbers for a set point and what follows it, or none."""
        self._paired = [*self._paired[1:], self._paired[0]]
        self._read()

    def action_settled(self) -> None:
        """Take another band around the final value for that of settling."""
        if self._shown.pair is not None:
            place = SETTLED.index(self._settled_share)
            self._settled_share = SETTLED[(place + 1) % len(SETTLED)]
            self._read()

    def action_list(self) -> None:
        """Go to the list, or from it to the plots."""
        to_plot = self.numbers.has_focus_within
        self.set_class(not to_plot, "-list")
        self.call_after_refresh(self.plot.focus if to_plot else self.numbers.rows.focus)

    def on_plot_moved(self, event: Plot.Moved) -> None:
        """The cursor of the plots is the place."""
        event.stop()
        self._go_to(event.t_ns)

    def on_step_figures_step_chosen(self, event: StepFigures.StepChosen) -> None:
        """Show a step from just before its change to its end."""
        event.stop()
        self._show_step(event.step)

    def on_list_rows_moved(self, event: ListRows.Moved) -> None:
        """Tell what limits the figures under the cursor."""
        event.stop()
        self._tell_note()

    def _tell_note(self) -> None:
        self._note.update(self.figures.note)

    def _show_step(self, step: StepResponse) -> None:
        around = round((step.until_ns - step.at_ns) * _AROUND_STEP)
        self.plot.window_ns = (step.at_ns - around, step.until_ns + around)
        self._go_to(step.at_ns)

    def _go_to(self, t_ns: int) -> None:
        self.place_ns = t_ns
        self.post_message(self.PlaceChosen(t_ns))


def _by_hand(chosen: tuple[NumericField, ...], suggested: list[TargetPair]) -> list[TargetPair]:
    """Pairs of two chosen numbers that no name suggests, for the user to say."""
    if len(chosen) != 2:
        return []
    named = [(pair.target.key, pair.measured.key) for pair in suggested]
    return [
        TargetPair(a, b, f"{a.title} taken as the set point of {b.title}")
        for a, b in (chosen, chosen[::-1])
        if (a.key, b.key) not in named
    ]

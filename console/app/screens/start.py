"""The start screen: what was opened last, a line to open something else, the demo."""

from __future__ import annotations

import asyncio
import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING, ClassVar, cast

from rich.cells import set_cell_size
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import Screen
from textual.widgets import Footer, OptionList, Static
from textual.widgets.option_list import Option

from console.app.signs import Signs
from console.app.state.recent import RecentRun, read_recent
from console.app.state.request import STDIN, Request, demo_request
from console.app.widgets.path_input import PathInput
from console.app.widgets.status import Status
from console.app.widgets.wordmark import Wordmark
from console.printable import printable

if TYPE_CHECKING:
    from console.app.opening import OpeningApp

DEMO = "demo"
DEMO_WORDS = "a cider works' cap line, whose camera goes silent"
NAME_CELLS = 18
NO_STDIN = "standard input is the keyboard here\nStart with: lastack open - < FILE"


class StartScreen(Screen[None]):
    """Where the console begins when nothing was named."""

    DEFAULT_CSS = """
    StartScreen { align: center middle; }
    StartScreen #start { width: 76; max-width: 96%; height: auto; max-height: 100%; }
    StartScreen .head { height: 1; margin: 1 0 0 0; color: $quiet; }
    StartScreen OptionList, StartScreen OptionList:focus {
        height: auto; max-height: 12; border: none; padding: 0; background: $background;
        scrollbar-size-vertical: 1; text-wrap: nowrap; text-overflow: ellipsis;
    }
    StartScreen OptionList > .option-list--option-highlighted { background: $panel; }
    StartScreen OptionList:focus > .option-list--option-highlighted {
        background: $here; text-style: none;
    }
    StartScreen.-ascii OptionList { text-overflow: clip; }
    StartScreen OptionList:nocolor > .option-list--option-highlighted { text-style: reverse; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("o", "type_paths", "Open a file", id="start.open"),
        Binding("d", "demo", "Demo", id="start.demo"),
        Binding("escape", "leave", "Back", id="start.back", show=False),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._recent: list[RecentRun] = []

    @property
    def _opener(self) -> OpeningApp:
        return cast("OpeningApp", self.app)

    def compose(self) -> ComposeResult:
        """Wordmark, list, line, status."""
        with Vertical(id="start"):
            yield Wordmark(ascii_only=self._opener.ascii_only)
            yield Static("open", classes="head", markup=False)
            yield PathInput()
            yield Static("opened last", classes="head", id="runs-head", markup=False)
            yield OptionList(id="runs", markup=False)
        yield Status(self._opener.signs)
        yield Footer()

    def on_mount(self) -> None:
        """The toolkit's own sign for a cut is not ASCII."""
        self.set_class(self._opener.ascii_only, "-ascii")

    async def on_screen_resume(self) -> None:
        """Read the list of runs again."""
        home = self._opener.home
        runs, remark = ([], "") if home is None else await asyncio.to_thread(read_recent, home)
        missing = await asyncio.to_thread(lambda: [run.missing for run in runs])
        if remark and remark not in self._opener.troubles:
            self._opener.troubles = (*self._opener.troubles, remark)
        self._recent = runs
        now = datetime.now(UTC)
        rows = [
            Option(recent_row(run, gone, now, self._opener.signs))
            for run, gone in zip(runs, missing, strict=True)
        ]
        self._fill([*rows, Option(_row(DEMO, DEMO_WORDS), DEMO)])

    def _fill(self, options: list[Option]) -> None:
        """Show the list, and go to it unless something is being typed."""
        runs = self.query_one("#runs", OptionList)
        runs.clear_options()
        runs.add_options(options)
        words = "opened last" if len(options) > 1 else "or look around"
        self.query_one("#runs-head", Static).update(words)
        runs.highlighted = 0
        if not self.query_one(PathInput).line.value:
            runs.focus()

    async def on_option_list_option_selected(self, message: OptionList.OptionSelected) -> None:
        """Open what was chosen."""
        if message.option.id == DEMO:
            self.action_demo()
        else:
            run = self._recent[message.option_index]
            self.call_later(self._opener.open, run.request)

    def on_path_input_chosen(self, message: PathInput.Chosen) -> None:
        """Open what was typed."""
        if STDIN in message.paths:
            self._opener.troubles = (NO_STDIN,)
        else:
            self.call_later(self._opener.open, Request(message.paths))

    def on_path_input_refused(self, message: PathInput.Refused) -> None:
        """Say what is wrong with the line."""
        self._opener.troubles = (message.why,)

    def action_type_paths(self) -> None:
        """Go to the line."""
        self.query_one(PathInput).line.focus()

    def action_demo(self) -> None:
        """Open the demo."""
        self.call_later(self._opener.open, demo_request())

    async def action_leave(self) -> None:
        """Back to the run that is open, or to the list, with what was told taken away."""
        self._opener.troubles = ()
        if self._opener.view is not None:
            await self._opener.show_run()
        else:
            self.query_one("#runs").focus()


def _row(name: str, words: str) -> Content:
    return Content.assemble((f" {_fitted(name)} ", "$primary"), (words, "$foreground"))


def _fitted(name: str) -> str:
    return set_cell_size(name, NAME_CELLS)


def recent_row(run: RecentRun, gone: list[str], now: datetime, signs: Signs) -> Content:
    """Name, where, when; what is missing is said instead of when."""
    folder, _, name = run.paths[0].rpartition("/")
    home = os.path.expanduser("~")
    where = "~" + folder[len(home) :] if folder.startswith(home + "/") else folder
    more = f" +{len(run.paths) - 1}" if len(run.paths) > 1 else ""
    parts: list[tuple[str, str]] = [
        (f" {_fitted(printable(run.name))} ", "$primary"),
        (printable(name) + more, "$foreground"),
        (f"  {printable(where)}", "$quiet"),
    ]
    if gone:
        lost = printable(os.path.basename(gone[0]))
        parts.append((f"  {signs.absent} not there: {lost}", "$sign-warning"))
    else:
        parts.append((f"  {ago(run.opened, now)}", "$quiet"))
    return Content.assemble(*parts)


def ago(then: datetime, now: datetime) -> str:
    """How long ago, in one unit."""
    seconds = max(0, int((now - then).total_seconds()))
    for unit, length in (("d", 86_400), ("h", 3_600), ("min", 60)):
        if seconds >= length:
            return f"{seconds // length} {unit} ago"
    return "just now"

"""A line for paths: Tab completes, what may follow stands below, Enter opens."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import Input, Static

from console.app.paths_typed import Completion, completion, paths_of
from console.printable import printable

MOST_SHOWN = 40  # names below the line; two rows hold no more


class PathLine(Input):
    """The line itself. Tab completes as long as there is something to complete."""

    DEFAULT_CSS = """
    PathLine, PathLine:focus { border: none; height: 1; padding: 0 1; background: $panel; }
    PathLine:focus { background: $here; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("tab", "complete", "Complete", id="paths.complete", priority=True)
    ]

    class Completing(Message):
        """The user asked for completion."""

    def action_complete(self) -> None:
        """Ask the parent, which knows the folders."""
        self.post_message(self.Completing())


class PathInput(Vertical):
    """The line and the names that may follow."""

    DEFAULT_CSS = """
    PathInput { height: auto; }
    PathInput .names { height: auto; max-height: 2; padding: 0 1; color: $quiet; }
    """

    class Chosen(Message):
        """The user wants these opened."""

        def __init__(self, paths: tuple[str, ...]) -> None:
            super().__init__()
            self.paths = paths

    class Refused(Message):
        """What was typed cannot be meant."""

        def __init__(self, why: str) -> None:
            super().__init__()
            self.why = why

    def compose(self) -> ComposeResult:
        """Line, names."""
        yield PathLine(
            placeholder="bench file or recordings; Tab completes, Enter opens",
            select_on_focus=False,
        )
        yield Static(classes="names", markup=False)

    @property
    def line(self) -> PathLine:
        """Where the paths are typed."""
        return self.query_one(PathLine)

    async def on_input_changed(self, message: Input.Changed) -> None:
        """Show what may follow."""
        message.stop()
        found = await asyncio.to_thread(completion, message.value) if message.value else None
        if self.line.value == message.value:
            self._show(found)

    async def on_path_line_completing(self, message: PathLine.Completing) -> None:
        """Complete, or go on where there is nothing to complete."""
        message.stop()
        before = self.line.value
        found = await asyncio.to_thread(completion, before)
        if found.line == before and len(found.names) < 2:
            self.screen.focus_next()
        elif self.line.value == before:
            self.line.value = found.line
            self.line.cursor_position = len(found.line)
            self._show(found)

    def on_input_submitted(self, message: Input.Submitted) -> None:
        """Ask for what was typed."""
        message.stop()
        try:
            paths = paths_of(message.value)
        except ValueError as error:
            self.post_message(self.Refused(str(error)))
            return
        if paths:
            self.post_message(self.Chosen(paths))

    def _show(self, found: Completion | None) -> None:
        names = () if found is None else found.names
        more = "  .." if len(names) > MOST_SHOWN else ""
        shown = "  ".join(printable(name) for name in names[:MOST_SHOWN])
        self.query_one(".names", Static).update(Content(shown + more))

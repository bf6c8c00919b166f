"""What the app does around a run: open it, show how far that is, keep what the user leaves in it.

The app above this one has the screens over a run; here is everything that comes before and after.
Without a state directory (`home`) nothing is read from or written to the disk but the run itself.
"""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import App
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.reactive import reactive
from textual.theme import Theme

from console.app.alarms import Alarms
from console.app.following import Follower, Hold, LookAt, is_followed
from console.app.loading import Begun, Ended, Failed, Loader, Progress, Shown, settled_view
from console.app.signs import Signs, signs_for
from console.app.state.kept import Kept
from console.app.state.kept_file import KeptFile, encoded
from console.app.state.recent import RecentRun, note_opened
from console.app.state.request import Request
from console.app.state.settings import Settings, encoded_settings, read_settings, write_settings
from console.app.state.writer import Writer

if TYPE_CHECKING:
    from console.app.run_view import RunView
    from console.pipeline.recording import Recording
    from console.pipeline.recording_state import RecordingState

LOOK_EVERY_S = 0.1  # at how far the reading is
ALARM_S = 8.0  # a finding stays on the screen; the list of them is a key away
START, OPENING, TIMELINE = "start", "opening", "timeline"
MOST_TROUBLES = 5  # told at once; the last ones
QUIT_WORDS = "This ends the recording. Press q again within 5 s to end it and quit."
ENDINGS = {signal.SIGTERM: 143, signal.SIGHUP: 129, signal.SIGINT: 130}  # 128 + number


class Remark(Message):
    """Something to tell in one line, from any thread."""

    def __init__(self, words: str) -> None:
        super().__init__()
        self.words = words


class OpeningApp(App[int]):
    """Opens runs and keeps their state."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("x", "stop_or_close", "Stop reading", id="app.stop", show=False),
        Binding("ctrl+o", "open_another", "Open another", id="app.open", show=False),
    ]

    view: reactive[RunView | None] = reactive(None, init=False)
    progress: reactive[Progress | None] = reactive(None, init=False)  # None: nothing to say
    troubles: reactive[tuple[str, ...]] = reactive((), init=False)  # not cleaned
    recorded: reactive[RecordingState | None] = reactive(None, init=False)  # of a recorded run

    def __init__(
        self,
        request: Request | None = None,
        *,
        starts: bool = False,
        ascii_only: bool = False,
        home: Path | None = None,
        recording: Recording | None = None,
    ) -> None:
        super().__init__()
        self.recording = recording  # what this process records, where it does
        self.alarms = Alarms()
        self.request = request
        self.ascii_only = ascii_only
        self.home = home
        self.kept = Kept()  # changed in place; `keep` saves it
        self.loader: Loader | None = None
        self._starts = starts
        self._writer: Writer | None = None
        self._settings = Settings() if home is None else read_settings(home)
        self._settings_writer: Writer | None = None

    @property
    def signs(self) -> Signs:
        """The characters to draw with."""
        return signs_for(ascii_only=self.ascii_only)

    @property
    def is_loading(self) -> bool:
        """Whether more of the run is to come; until then the axis may still move."""
        return self.loader is not None and self.progress is not None and not self._is_stopped

    @property
    def _is_stopped(self) -> bool:
        return self.progress is not None and bool(self.progress.stopped_at)

    def remembered_theme(self, otherwise: str) -> str:
        """The theme the user chose last; without colour, the one that draws none."""
        if os.environ.get("NO_COLOR"):
            return "ansi-dark"
        chosen = self._settings.theme
        return chosen if chosen in self.available_themes else otherwise

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys to the screens over a run work once there is one."""
        if action == "switch_to" and parameters == ("recording",):
            return self.view is not None and self.recorded is not None
        if action in ("switch_to", "back"):
            return self.view is not None
        return super().check_action(action, parameters)

    def _watch_view(self, _view: RunView | None) -> None:
        """Show the keys that work now."""
        self.refresh_bindings()

    async def on_mount(self) -> None:
        """Begin with what was asked for."""
        if not self.is_headless:
            self._end_on_signals()
        if self.home is not None:
            self.theme_changed_signal.subscribe(self, self._remember_theme)
        self.set_interval(LOOK_EVERY_S, self._look)
        if self.request is not None:
            await self.open(self.request)
        else:
            await self.switch_mode(START if self._starts else TIMELINE)

    def _end_on_signals(self) -> None:
        """End as after `quit` when told to from outside, so that the terminal is left in order."""
        loop = asyncio.get_running_loop()
        for number, code in ENDINGS.items():
            loop.add_signal_handler(number, self._end, code)

    def _end(self, code: int) -> None:
        self.exit(return_code=code)

    def on_unmount(self) -> None:
        """Leave nothing unwritten."""
        self.leave()

    def leave(self) -> None:
        """Stop reading and write what is kept; may be called again."""
        if self.loader is not None:
            self.loader.abandon()
        for writer in (self._writer, self._settings_writer):
            if writer is not None:
                writer.close()
        self._writer = self._settings_writer = None

    # --- opening

    async def open(self, request: Request) -> None:
        """Open a run in place of the one that is open."""
        if self.loader is not None:
            self.loader.abandon()
        if self._writer is not None:
            await asyncio.to_thread(self._writer.close)
        self._writer, self.kept, remark = None, Kept(), ""
        if self.home is not None and (request.can_be_reopened or request.is_demo):
            file = KeptFile.of(request.paths, self.home, is_ours=request.is_demo)
            self.kept, remark = file.read()
            self._writer = self._writer_of(file.write)
        self.request = request
        self.troubles = (remark,) if remark else ()
        self.progress = Progress()
        await self.switch_mode(OPENING)
        await self._forget_screens()
        self.view = None
        self.recorded, self.alarms = None, Alarms()
        self.loader = self._reader_of(request)
        self.loader.start()

    def _reader_of(self, request: Request) -> Loader:
        """What reads a request: some recorded runs are followed, all else is read to its end."""
        ours = self.recording
        if ours is not None and request.paths != (str(ours.folder),):
            ours = None  # another one is looked at meanwhile
        if ours is not None or is_followed(request):
            return Follower(request, self.post_message, self.prepare_screens, ours)
        decisions = dict(self.kept.decisions)
        return Loader(request, self.post_message, self.prepare_screens, decisions)

    async def _forget_screens(self) -> None:
        """Take away the screens over the run before."""
        for mode, made in list(self._modes.items()):
            if mode not in (START, OPENING) and mode in self._screen_stacks:
                await self.remove_mode(mode)
                self.add_mode(mode, made)

    def prepare_screens(self) -> None:
        """Import what will show the run; called by the reading thread."""

    async def show_run(self) -> None:
        """Show the run on its first screen."""
        await self.switch_mode(TIMELINE)

    def settle_again(self) -> None:
        """Settle the clocks again, with the decisions as they are kept now."""
        loader = self.loader
        if loader is None or loader.reading is None:
            return
        reading, decisions = loader.reading, dict(self.kept.decisions)

        def settle() -> None:
            view = settled_view(reading, decisions)
            self.post_message(Shown(loader, view, whole=True))

        self.run_worker(settle, thread=True, exclusive=True, group="settling")

    # --- what the reading thread says

    async def on_begun(self, message: Begun) -> None:
        """Put the run in front of those opened last."""
        request, home = message.loader.request, self.home
        if message.loader is self.loader and home is not None and request.can_be_reopened:
            newest = RecentRun.of(request, message.name, datetime.now(UTC))
            remark = await asyncio.to_thread(note_opened, home, newest)
            self._add_trouble(remark)

    async def on_shown(self, message: Shown) -> None:
        """Show what was read."""
        if message.loader is not self.loader:
            return
        self.view = message.view
        if isinstance(self.loader, Follower):
            self.progress = None
        if self.current_mode in (OPENING, START):
            await self.show_run()

    def on_failed(self, message: Failed) -> None:
        """Tell what could not be read; the console goes on."""
        if message.loader is self.loader:
            self._add_trouble(str(message.error))

    async def on_ended(self, message: Ended) -> None:
        """The reading is over."""
        if message.loader is not self.loader:
            return
        if message.crash is not None:
            raise message.crash
        last = message.loader.progress
        self.progress = last if last.stopped_at else None
        if self.view is None:
            self.progress = None
            await self.switch_mode(START)

    def on_remark(self, message: Remark) -> None:
        """Tell it."""
        self._add_trouble(message.words)

    def _add_trouble(self, words: str) -> None:
        if words:
            self.troubles = (*self.troubles, words)[-MOST_TROUBLES:]

    def _look(self) -> None:
        """Show how far the reading is."""
        if self.loader is not None and self.loader.is_running and self.progress is not None:
            self.progress = self.loader.progress
        if isinstance(self.loader, Follower) and self.loader.state is not None:
            self.recorded = self.loader.state

    # --- a recorded run

    def watch_recorded(self, state: RecordingState | None) -> None:
        """Tell what was found since the last look."""
        self.refresh_bindings()
        if state is None:
            return
        for alarm in self.alarms.news(state):
            self.notify(
                alarm.words,
                title=alarm.title,
                severity=alarm.severity,
                timeout=ALARM_S,
                markup=False,
            )
            self.bell()

    def on_look_at(self, message: LookAt) -> None:
        """Show another part of it."""
        if isinstance(self.loader, Follower):
            self.loader.look_at(message.t_ns)

    def on_hold(self, _message: Hold) -> None:
        """Show nothing newer for now."""
        if isinstance(self.loader, Follower):
            self.loader.hold()

    async def action_quit(self) -> None:
        """Quit; where that would end a recording, ask first."""
        if self.recording is not None and not self.alarms.may_quit(self.recording.state()):
            self.notify(QUIT_WORDS, severity="warning", markup=False)
            return
        await super().action_quit()

    # --- keys

    def action_stop_or_close(self) -> None:
        """Stop reading; when nothing is read, take away what was told."""
        if self.loader is not None and self.loader.is_running and self.progress is not None:
            self.loader.stop()
        else:
            self.progress, self.troubles = None, ()

    async def action_open_another(self) -> None:
        """Show the start screen."""
        await self.switch_mode(START)

    # --- what is kept

    def keep(self) -> None:
        """Save what is kept of the run, soon."""
        if self._writer is not None:
            self._writer.put(encoded(self.kept))

    def _remember_theme(self, theme: Theme) -> None:
        if self.home is None or os.environ.get("NO_COLOR") or theme.name == self._settings.theme:
            return
        home = self.home
        self._settings.theme = theme.name
        if self._settings_writer is None:
            self._settings_writer = self._writer_of(lambda data: write_settings(home, data))
        self._settings_writer.put(encoded_settings(self._settings))

    def _remark(self, words: str) -> None:
        """Tell something, from any thread."""
        self.post_message(Remark(words))

    def _writer_of(self, write: Callable[[bytes], str]) -> Writer:
        return Writer(write, self._remark)

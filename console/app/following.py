"""A recorded run on the screen while it grows: a thread that reads what is new, and shows it.

It holds the newest events, or those around a moment the user went to; the rest stays in the run. A
new view is made a few times a second at most, and only while the user follows: whoever looks at
something is not disturbed. How the recording is (`state`) is looked at all the time.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from textual.message import Message

from console.app.loading import Begun, Failed, Loader, Shown
from console.app.state.request import Request

if TYPE_CHECKING:
    from console.pipeline.followed_state import FollowedState
    from console.pipeline.recording import Recording
    from console.pipeline.recording_state import RecordingState
    from console.pipeline.run_window import Part, RunTail
    from console.run.stored import StoredRun

LOOK_S = 0.5  # between looks at what is new
PATIENCE = 3  # a view that took so long is followed by a pause so many times as long
SILENT_S = 5.0  # a silence grows on the screen by steps of this
WHOLE_RECORDS = 300_000  # a run that is over is read whole up to this: some seconds
KILLED_NS = 60_000_000_000  # nothing stored for so long: nobody records it any more
AGAIN_S = 5.0  # after trouble with the run


def is_followed(request: Request) -> bool:
    """Whether what is asked for is a run that is being recorded, or too large to read whole."""
    from console.run.schema import is_run

    if len(request.paths) != 1 or not is_run(request.paths[0]):
        return False
    from console.run.errors import RunError
    from console.run.stored import StoredRun

    try:
        with StoredRun(request.paths[0]) as run:
            sessions = run.sessions()
            goes_on = bool(sessions) and sessions[-1].ended_ns is None
            since_ns = time.time_ns() - sessions[-1].alive_ns if goes_on else 0
            records = sum(source.records for source in run.sources())
    except RunError:
        return True  # told by the thread
    return records > WHOLE_RECORDS or (goes_on and since_ns < KILLED_NS)


class LookAt(Message):
    """Asks the app for another part of a recorded run."""

    def __init__(self, t_ns: int | None) -> None:
        super().__init__()
        self.t_ns = t_ns  # around this; None: the newest, and follow


class Hold(Message):
    """Asks the app to show nothing newer until it is asked again."""


class Follower(Loader):
    """One run that is followed.

    Args:
        request: the run.
        tell: takes messages; called by the thread.
        prepare: called by the thread before each view.
        recording: the recording, where this process does it.
    """

    def __init__(
        self,
        request: Request,
        tell: Callable[[Message], object],
        prepare: Callable[[], object] = lambda: None,
        recording: Recording | None = None,
    ) -> None:
        super().__init__(request, tell, prepare)
        self.state: RecordingState | None = None
        self._recording = recording
        self._wake = threading.Event()
        self._wanted: int | None = None
        self._is_new = True  # what is wanted was not shown yet
        self._shown_s = 0.0
        self.follows = True  # views of what is new are made

    def look_at(self, t_ns: int | None) -> None:
        """Show the part around a moment; None: the newest, from now on."""
        self._wanted, self._is_new, self.follows = t_ns, True, t_ns is None
        self._wake.set()

    def hold(self) -> None:
        """Make no views of what is new until asked again."""
        self.follows = False

    def stop(self) -> None:
        """End; what was shown stays."""
        super().stop()
        self._wake.set()

    def abandon(self) -> None:
        """End, and show nothing more."""
        super().abandon()
        self._wake.set()

    def _load(self) -> None:
        from console.pipeline.followed_state import FollowedState
        from console.pipeline.run_window import RunTail
        from console.run.stored import StoredRun
        from decoders.errors import DiagnosticError

        if self._recording is not None:
            self._recording.flush()
        with StoredRun(Path(self.request.paths[0])) as run:
            for problem in run.problems:
                self._say(Failed(self, problem))
            self._say(Begun(self, run.name))
            states = FollowedState(run)
            tail = RunTail(run, happened=states.happened)
            told = ""
            while not self.was_stopped:
                pause_s = LOOK_S
                try:
                    pause_s = max(LOOK_S, self._look(run, tail, states))
                    told = ""
                except DiagnosticError as error:  # moved away, a disk gone: it may come back
                    if str(error) != told:
                        self._say(Failed(self, error))
                    told, pause_s = str(error), AGAIN_S
                self._wake.wait(pause_s)
                self._wake.clear()

    def _look(self, run: StoredRun, tail: RunTail, states: FollowedState) -> float:
        """Show what is to be shown; for how long to wait now, in seconds."""
        begun_s = time.monotonic()
        recording = self._recording
        before = None if self.state is None else (self.state.is_over, self.state.findings)
        self.state = states.look() if recording is None else recording.state()
        is_news = tail.take() or (self.state.is_over, self.state.findings) != before
        is_news |= not self.state.is_over and begun_s - self._shown_s > SILENT_S
        wanted, is_new, self._is_new = self._wanted, self._is_new, False
        if not is_new and not (self.follows and is_news):
            return 0.0
        part = tail.part()
        if wanted is not None and not _has(part, wanted):
            from console.pipeline.run_window import part_around

            part = part_around(run, wanted)
        self._show_part(run, tail, part)
        self._shown_s = time.monotonic()
        return PATIENCE * (time.monotonic() - begun_s)

    def _show_part(self, run: StoredRun, tail: RunTail, part: Part) -> None:
        from console.app.part_view import part_view

        grows = self.state is not None and not self.state.is_over
        view = part_view(part, tail.file, run.counts(), grows=grows)
        self._prepare()
        self._say(Shown(self, view, whole=True))


def _has(part: Part, t_ns: int) -> bool:
    """Whether a moment lies well within a part, or where nothing lies before it."""
    begin, end = part.held_ns
    margin = (end - begin) // 8
    return (begin + margin <= t_ns or begin <= part.evidence.start_ns) and t_ns <= end

"""How a recording is, told by its run alone: for a console that another process records under."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from console.pipeline.recording_state import Rates, RecordingState, disk_free, rows_of
from console.run.rows import Session, StoredSource
from console.run.stored import StoredRun
from console.sources.records import Happened, SourceState

NEWEST = 100
STALE_NS = 5_000_000_000  # a recorder that has stored nothing for so long is gone, or in trouble
_STATES: dict[str, Literal["open", "waiting"]] = {
    "opened": "open", "subscribed": "open", "closed": "waiting", "refused": "waiting",
    "retry": "waiting",
}  # fmt: skip


class FollowedState:
    """A fold over looks at a run.

    Args:
        run: opened.
        now_ns: the clock on the wall, ns since 1970.
    """

    def __init__(self, run: StoredRun, now_ns: Callable[[], int] = time.time_ns) -> None:
        self._run, self._now_ns = run, now_ns
        self._rates = Rates()
        self._last: dict[str, Happened] = {}
        self._why: dict[str, str] = {}
        self._alive: tuple[int, int] | None = None  # as stored, and when that was first seen
        for happened in run.happenings():
            self.happened(happened)

    def happened(self, happened: Happened) -> None:
        """Take what happened to a source; all of it, in order."""
        if happened.what in _STATES:
            self._last[happened.source] = happened
        if happened.what in ("closed", "refused"):
            self._why[happened.source] = happened.detail
        elif happened.what == "opened":
            self._why[happened.source] = ""

    def look(self) -> RecordingState:
        """How it is now.

        Raises:
            RunError: when the run cannot be reached any more.
        """
        run, now_ns = self._run, self._now_ns()
        sessions, sources, findings = run.sessions(), run.sources(), run.findings()
        session = sessions[-1] if sessions else None
        is_over, behind_ns = self._alive_since(session, now_ns)
        states = [self._state(source, is_over=is_over) for source in sources]
        ended_ns = now_ns if session is None else session.ended_ns or session.alive_ns
        raised = [f for f in findings if session is None or f.raised_ns >= session.started_ns]
        return RecordingState(
            folder=str(Path(run.path).parent),
            started_ns=now_ns if session is None else session.started_ns,
            now_ns=ended_ns if is_over else now_ns,
            sources=rows_of(states, self._rates, now_ns),
            stored=sum(source.records for source in sources),
            lost=sum(source.lost for source in sources),
            lag_s=0.0 if is_over else behind_ns / 1e9,
            findings=len(raised),
            faults=sum(f.severity == "fault" for f in raised),
            newest=tuple(raised[-NEWEST:]),
            disk_free_bytes=disk_free(Path(run.path).parent),
            trouble="" if session is None or session.ended_ns or not is_over else _KILLED,
            is_over=is_over,
        )

    def _alive_since(self, session: Session | None, now_ns: int) -> tuple[bool, int]:
        """Whether the recording is over, and how long ago its recorder stored last."""
        if session is None or session.ended_ns is not None:
            return True, 0
        if self._alive is None:  # by the wall clock alone: it may have been set meanwhile
            self._alive = session.alive_ns, min(now_ns, session.alive_ns)
        elif self._alive[0] != session.alive_ns:
            self._alive = session.alive_ns, now_ns
        behind_ns = max(now_ns - self._alive[1], 0)
        return behind_ns > STALE_NS, behind_ns

    def _state(self, source: StoredSource, *, is_over: bool) -> SourceState:
        last = self._last.get(source.name)
        state: Literal["opening", "open", "waiting", "closed"] = "opening"
        if is_over:
            state = "closed"
        elif last is not None:
            state = _STATES[last.what]
        return SourceState(
            name=source.name,
            kind=source.kind if source.kind in ("messages", "capture") else "prints",  # type: ignore[arg-type]
            where=source.place,
            state=state,
            why=self._why.get(source.name, ""),
            records=source.records,
            bytes=source.bytes,
            lost=source.lost,
            last_ns=source.last_ns,
        )


_KILLED = "the recorder is gone without having ended the run: it was killed, or the disk refuses"

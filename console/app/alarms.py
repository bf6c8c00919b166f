"""What of a recording is brought before the user wherever they are, and once.

New findings, and that nothing can be written or watched any more.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from console.printable import printable

if TYPE_CHECKING:
    from console.pipeline.recording_state import RecordingState

MOST_AT_ONCE = 2
MOST_CHARACTERS = 300
QUIT_WITHIN_S = 5.0

Severity = Literal["information", "warning", "error"]
_SEVERITIES: dict[str, Severity] = {"fault": "error", "warning": "warning"}


@dataclass(frozen=True, slots=True)
class Alarm:
    """One note on the screen; cleaned."""

    title: str
    words: str
    severity: Severity


class Alarms:
    """A fold over looks at a recording.

    Args:
        now_s: a clock that never goes back.
    """

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._told: int | None = None  # findings; None before the first look
        self._trouble_told = ""
        self._now_s = now_s
        self._asked_s: float | None = None

    def news(self, state: RecordingState) -> list[Alarm]:
        """What was raised since the last look; of what was there at the first, nothing."""
        told, self._told = self._told, state.findings
        alarms = self._trouble(state.trouble)
        if told is None or state.findings <= told:
            return alarms
        count = state.findings - told
        shown = state.newest[-min(count, MOST_AT_ONCE) :]
        alarms += [
            Alarm(
                f"{raised.severity}: {printable(raised.party)[:60]}".rstrip(": "),
                printable(raised.summary[:MOST_CHARACTERS]),
                _SEVERITIES.get(raised.severity, "information"),
            )
            for raised in shown
        ]
        if (more := count - len(shown)) > 0:
            alarms.append(Alarm("findings", f"and {more} more: 2 lists them", "warning"))
        return alarms

    def _trouble(self, trouble: str) -> list[Alarm]:
        """That it cannot be recorded or watched just now, and that it can again."""
        what = trouble.partition(". ")[0]  # how to mend it may say how much is free by now
        before, self._trouble_told = self._trouble_told, what
        if what == before:
            return []
        if not trouble:
            return [Alarm("recording", "the trouble is over", "information")]
        return [Alarm("recording", printable(trouble[:MOST_CHARACTERS]), "error")]

    def may_quit(self, state: RecordingState) -> bool:
        """Whether to quit now: when the recording is over, or it was asked for twice."""
        now_s, asked_s = self._now_s(), self._asked_s
        self._asked_s = now_s
        return state.is_over or (asked_s is not None and now_s - asked_s <= QUIT_WITHIN_S)

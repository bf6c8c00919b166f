"""How a recording is at the moment: sources with their rates, the store, the watching, the disk."""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from console.run.rows import Raised
from console.sources.records import SourceState

RATE_OVER_NS = 5_000_000_000  # rates are of the last seconds
_SAMPLE_NS = 250_000_000  # so far apart at least


@dataclass(frozen=True, slots=True)
class SourceRow:
    """A source, and what it gave in the last seconds."""

    state: SourceState
    records_per_s: float = 0.0
    bytes_per_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RecordingState:
    """One moment of a recording; nothing in it changes."""

    folder: str
    started_ns: int  # of this session, on the host's clock
    now_ns: int
    sources: tuple[SourceRow, ...]
    stored: int = 0  # records since it began
    queued: int = 0  # records that are not on the disk yet
    lost: int = 0  # records there was no room for
    lag_s: float = 0.0  # for how long the oldest of those queued has been waiting
    watch_queued: int = 0  # records the rules have not seen yet
    watch_lag_s: float = 0.0  # how far behind now the rules are
    unwatched: int = 0  # records the rules never saw, since watching could not keep up
    findings: int = 0  # raised since it began
    faults: int = 0  # of them
    newest: tuple[Raised, ...] = ()  # the last ones, newest last
    disk_free_bytes: int | None = None  # None: cannot be told
    trouble: str = ""  # why nothing can be written just now, or why nothing is watched
    is_over: bool = False

    @property
    def open_sources(self) -> int:
        """How many sources give data now."""
        return sum(row.state.state == "open" for row in self.sources)


class Rates:
    """What sources gave in the last seconds, from totals looked at now and then."""

    def __init__(self) -> None:
        self._samples: dict[str, deque[tuple[int, int, int]]] = {}

    def row(self, state: SourceState, now_ns: int) -> SourceRow:
        """A source with its rates; called at any time, from one thread at a time."""
        samples = self._samples.setdefault(state.name, deque())
        if not samples or now_ns - samples[-1][0] >= _SAMPLE_NS:
            samples.append((now_ns, state.records, state.bytes))
        while len(samples) > 1 and samples[1][0] <= now_ns - RATE_OVER_NS:
            samples.popleft()
        began_ns, records, size = samples[0]
        seconds = (now_ns - began_ns) / 1e9
        if seconds <= 0:
            return SourceRow(state)
        return SourceRow(state, (state.records - records) / seconds, (state.bytes - size) / seconds)


def disk_free(folder: Path) -> int | None:
    """Bytes that are free where a run is; None when that cannot be told."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def source_words(row: SourceRow) -> str:
    """A source that is not open, in one clause for people; not cleaned."""
    state = row.state
    return f"{state.name}: {state.state}" + (f": {state.why}" if state.why else "")


def rows_of(states: Sequence[SourceState], rates: Rates, now_ns: int) -> tuple[SourceRow, ...]:
    """Every source with its rates."""
    return tuple(rates.row(state, now_ns) for state in states)

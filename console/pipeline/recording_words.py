"""How a recording is, in words that the command line and the screens share."""

from __future__ import annotations

from console.pipeline.recording_state import RecordingState
from console.watch.findings import counted
from decoders.durations import in_words

_SIZES = ((1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB"))
FULL_BYTES = 1_000_000_000  # less room than this is told as a warning


def size_words(size: float) -> str:
    """`12.3 kB`."""
    for least, unit in _SIZES:
        if float(f"{size:.3g}") >= least:
            return f"{size / least:.3g} {unit}"
    return f"{size:.0f} B"


def rate_words(state: RecordingState) -> str:
    """What comes a second, of all sources: `50/s 1.2 kB/s`."""
    records = sum(row.records_per_s for row in state.sources)
    size = sum(row.bytes_per_s for row in state.sources)
    return f"{records:,.0f}/s {size_words(size)}/s"


def status_line(state: RecordingState) -> str:
    """How it goes, for one line of a terminal."""
    parts = [
        f"recording {in_words(state.now_ns - state.started_ns)}",
        f"{state.open_sources} of {counted(len(state.sources), 'source')} open",
        f"{state.stored:,} stored",
        *missing_words(state),
        rate_words(state),
        f"lag {state.lag_s:.1f} s",
        counted(state.findings, "finding"),
    ]
    if state.disk_free_bytes is not None:
        parts.append(f"{size_words(state.disk_free_bytes)} free")
    return "  ".join(parts)


def missing_words(state: RecordingState) -> list[str]:
    """What is missing of a recording, nothing where all is there."""
    found = []
    if state.lost:
        found.append(f"{state.lost:,} LOST")
    if state.unwatched:
        found.append(f"{state.unwatched:,} not watched")
    return found

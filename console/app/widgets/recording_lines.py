"""How a recording is, in a few lines: the store, the rules, the disk, and what is wrong."""

from __future__ import annotations

from textual.content import Content
from textual.reactive import reactive
from textual.widgets import Static

from console.app.signs import Signs
from console.pipeline.recording_state import RecordingState
from console.pipeline.recording_words import FULL_BYTES, missing_words, rate_words, size_words
from console.watch.findings import counted
from decoders.durations import in_words

LATE_S = 2.0  # a lag to be told as a warning
YEAR_S = 365 * 86_400
MOST_WORDS = 1_000
Part = tuple[str, str]


class RecordingLines(Static):
    """The lines; follow `state`."""

    DEFAULT_CSS = """
    RecordingLines { height: auto; padding: 0 1; background: $surface; }
    """
    state: reactive[RecordingState | None] = reactive(None, init=False)

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id, markup=False)
        self._signs = signs

    def watch_state(self, state: RecordingState | None) -> None:
        """Write them."""
        self.update(Content("") if state is None else lines_of(state, self._signs))


def lines_of(state: RecordingState, signs: Signs) -> Content:
    """The words."""
    lasted = in_words(state.now_ns - state.started_ns)
    word = ("was recorded", "$quiet") if state.is_over else ("is being recorded", "$sign-good")
    lines: list[list[Part]] = [
        [
            ("the run ", ""), word, (f", {lasted}", ""),
            (f"   {state.open_sources} of {counted(len(state.sources), 'source')} open   ", ""),
            (signs.clean(state.folder[:MOST_WORDS]), "bold"),  # last: a long path moves nothing
        ],
        [
            ("store    ", "$quiet"), (f"{counted(state.stored, 'record')}, ", ""),
            (rate_words(state), ""), (", lag ", "$quiet"), _lag(state.lag_s),
            (f", {state.queued:,} waiting" if state.queued else "", "$quiet"),
            *((f"  {signs.bad} {words}", "$sign-bad bold") for words in missing_words(state)),
        ],
        [
            ("rules    ", "$quiet"), _found(state), (", lag ", "$quiet"), _lag(state.watch_lag_s),
            (f", {state.watch_queued:,} waiting" if state.watch_queued else "", "$quiet"),
        ],
        [("disk     ", "$quiet"), _disk(state, signs)],
    ]  # fmt: skip
    if state.trouble:
        lines.append([(f"{signs.bad} {signs.clean(state.trouble[:MOST_WORDS])}", "$sign-bad bold")])
    parts: list[Part] = []
    for line in lines:
        parts += [*line, ("\n", "")]
    return Content.assemble(*parts[:-1])


def _lag(lag_s: float) -> Part:
    return f"{lag_s:.1f} s", "$sign-bad bold" if lag_s > LATE_S else ""


def _found(state: RecordingState) -> Part:
    if not state.findings:
        return "nothing found", "$sign-good"
    words = f"{counted(state.findings, 'finding')}, {counted(state.faults, 'fault')}"
    return words, "$sign-bad bold" if state.faults else "$sign-warning"


def _disk(state: RecordingState, signs: Signs) -> Part:
    free = state.disk_free_bytes
    if free is None:
        return f"{signs.bad} it cannot be told how much is free", "$sign-bad bold"
    words = f"{size_words(free)} free"
    rate = sum(row.bytes_per_s for row in state.sources)
    if rate > 0 and not state.is_over:  # what is stored takes somewhat more, or less when packed
        lasts_s = free / rate
        longer = lasts_s > YEAR_S
        words += f", for {'over a year' if longer else f'about {in_words(lasts_s * 1e9)}'} of this"
    return (f"{signs.odd} {words}", "$sign-warning bold") if free < FULL_BYTES else (words, "")

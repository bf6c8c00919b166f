"""The sources of a recording: two lines each, how it is and where it is read from."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len

from console.app.signs import Signs
from console.app.timeline.pieces import Row, cut, filled
from console.app.widgets.list_rows import ListRows
from console.pipeline.recording_state import SourceRow
from console.pipeline.recording_words import size_words
from decoders.durations import in_words

LINES = 2  # of a source
MOST_WORDS = 1_000
_STYLES = {
    "open": "good", "opening": "quiet", "waiting": "warning", "failed": "bad", "closed": "quiet",
}  # fmt: skip


class SourceList(ListRows):
    """Sources; the cursor stands on their first lines."""

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._signs = signs
        self._sources: Sequence[SourceRow] = ()
        self._now_ns = 0

    def fill(self, sources: Sequence[SourceRow], now_ns: int) -> None:
        """Show these sources."""
        self._sources, self._now_ns = sources, now_ns
        self.renew()

    def row_count(self) -> int:
        """Two lines each."""
        return LINES * len(self._sources)

    def is_stop(self, row: int) -> bool:
        """The first line of each."""
        return row % LINES == 0

    def head(self, width: int) -> Row:
        """What stands in the columns."""
        name, room = self._widths(width)
        words = f"   {filled('source', name, '')} {'state':8}{'stored':>12}{'a second':>22}"
        return [(filled(words, room, ""), "head"), ("  last came", "head")]

    def pieces(self, row: int, width: int) -> Row:
        """A line of a source."""
        source = self._sources[row // LINES]
        return self._counts(source, width) if row % LINES == 0 else self._about(source, width)

    def _counts(self, source: SourceRow, width: int) -> Row:
        state = source.state
        style = _STYLES[state.state]
        name, _ = self._widths(width)
        rate = f"{source.records_per_s:,.1f}/s {size_words(source.bytes_per_s)}/s"
        row = [
            (f" {self._sign(source)} ", style),
            (filled(self._signs.clean(state.name[:MOST_WORDS]), name, self._signs.ellipsis), "lit"),
            (f" {state.state:8}", style),
            (f"{state.records:>12,}{rate:>22}", "text"),
            (f"  {self._came(source)}", "quiet"),
        ]
        if state.lost:
            row.append((f"  {state.lost:,} lost", "bad"))
        return row

    def _about(self, source: SourceRow, width: int) -> Row:
        """Where it is read from, and why it is not."""
        state = source.state
        where = self._signs.clean(state.where[:MOST_WORDS])
        where = cut(where, max(width // 3, 12), self._signs.ellipsis)
        row = [(f"   {where}", "quiet")]
        if state.why and state.state != "open":
            room = width - cell_len(where) - 6
            why = cut(self._signs.clean(state.why[:MOST_WORDS]), room, self._signs.ellipsis)
            row.append((f"  {why}", "warning" if state.state == "waiting" else "bad"))
        return row

    def _sign(self, source: SourceRow) -> str:
        """Colour is not the only sign."""
        signs = self._signs
        return {
            "open": signs.node,
            "waiting": signs.odd,
            "failed": signs.bad,
            "opening": signs.dot,
            "closed": signs.absent,
        }[source.state.state]

    def _came(self, source: SourceRow) -> str:
        if source.state.last_ns is None:
            return "nothing yet"
        return f"{in_words(max(self._now_ns - source.state.last_ns, 0))} ago"

    def _widths(self, width: int) -> tuple[int, int]:
        """Cells of the name, and of everything before the last column."""
        longest = max((cell_len(self._signs.clean(s.state.name)) for s in self._sources), default=0)
        name = max(8, min(longest, 24, width - 60))
        return name, name + 46

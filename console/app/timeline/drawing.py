"""The rows of one run as pieces: what stands on an event's, a wait's or a bucket's row."""

from __future__ import annotations

from functools import lru_cache

from console.app.run_view import RunView
from console.app.signs import Signs
from console.app.timeline.bits import wire_rows
from console.app.timeline.columns import GUTTER, Columns
from console.app.timeline.event_row import Told, event_cells, wait_cells
from console.app.timeline.gutter import (
    Clock,
    bracket,
    full_time,
    gutter_cells,
    since_head,
)
from console.app.timeline.minutes import MinuteRows
from console.app.timeline.pieces import Row, filled, right_filled
from console.app.timeline.shown import Shown
from console.app.timeline.wire_at import wire_under
from console.printable import printable
from console.timeline.events import EVENT_TABLES
from console.timeline.order import is_order_known
from console.timeline.times import since_start
from decoders.durations import in_words

REMEMBERED = 4_096  # events whose words and bands are kept at hand
WORDS_LOOKED_AT = 400  # characters of an event's words; a row shows fewer


class Drawing:
    """Draws rows of one run; remembers what it looked up."""

    def __init__(self, view: RunView, signs: Signs) -> None:
        self.view, self.signs = view, signs
        self._told = lru_cache(REMEMBERED)(self._tell)
        self._source = lru_cache(REMEMBERED)(view.source)
        self._band = lru_cache(REMEMBERED)(view.band_ns)
        self._minutes: dict[int, MinuteRows] = {}
        self._bits: tuple[tuple[int, int], list[Row]] | None = None

    def head(self, columns: Columns, chosen: int | None, clock: Clock) -> Row:
        """The names of the columns."""
        words = {"start": "time", "wall": "time UTC", "mark": "since mark"}
        row: Row = [(" " + right_filled(words[clock], GUTTER - 3, "") + "  ", "head")]
        for k, column in enumerate(columns.every):
            party = self.view.parties.every[column.party]
            name = printable(party.name)
            more = ""
            if k == 0 and columns.left:
                more = f"{self.signs.left}{columns.left} "
            if k == len(columns.every) - 1 and columns.right:
                name = f"{name} {self.signs.right}{columns.right}"
            style = "head-chosen" if column.party == chosen else "head"
            text = filled(f"{more}{name}", column.width - 1, self.signs.ellipsis)
            stripped = text.rstrip()
            row += [(stripped, style), (" " * (len(text) - len(stripped) + 1), "head")]
        return row

    def event(
        self,
        shown: Shown,
        position: int,
        columns: Columns,
        origin_ns: int,
        wall_ns: int | None,
        *,
        chosen: bool,
    ) -> Row:
        """The row of one event."""
        k = shown.event(position)
        t_ns, band = int(self.view.events.t_ns[k]), self._band(k)
        head = shown.head(position)
        if head == position or chosen:
            text, style = full_time(t_ns, band, origin_ns, wall_ns), "text"
        else:
            text, style = since_head(t_ns, shown.t_ns(head), band), "time"
        before = position > 0 and self._no_order(shown.event(position - 1), k)
        after = position + 1 < len(shown) and self._no_order(k, shown.event(position + 1))
        joined = bracket(before, after, self.signs)
        gutter = gutter_cells(text, joined, self.signs, chosen=chosen, style=style)
        return gutter + event_cells(self._told(k), columns, self.signs)

    def wait(self, shown: Shown, position: int, columns: Columns) -> Row:
        """A folded wait, with its length."""
        text = f"~ {in_words(shown.wait_ns(position))}"
        gutter = gutter_cells(text, "", self.signs, chosen=False, style="quiet")
        return gutter + wait_cells(columns, self.signs)

    def bucket(
        self,
        width_ns: int,
        k: int,
        columns: Columns,
        origin_ns: int,
        wall_ns: int | None,
        chosen: bool,
    ) -> Row:
        """The row of one bucket."""
        if width_ns not in self._minutes:
            self._minutes[width_ns] = MinuteRows(
                *self.view.buckets(width_ns), self.view.parties.every
            )
        minutes = self._minutes[width_ns]
        begins = minutes.buckets.begins_ns(k)
        if wall_ns is None:
            text = since_start(begins - origin_ns, min(width_ns, 10**9))
        else:
            text = full_time(begins, width_ns, origin_ns, wall_ns)
        gutter = gutter_cells(text, "", self.signs, chosen=chosen, style="text")
        return gutter + minutes.cells(k, columns, self.signs)

    def bit_rows(self, k: int, width: int) -> list[Row]:
        """The wire under an event, as rows."""
        if self._bits is None or self._bits[0] != (k, width):
            self._bits = (k, width), self._draw_bits(k, width)
        return self._bits[1]

    def _draw_bits(self, k: int, width: int) -> list[Row]:
        wire = wire_under(self.view, k)
        if isinstance(wire, str):
            return [[(" " * GUTTER, "quiet"), (printable(wire), "unseen")]]
        return wire_rows(wire, width, self.signs)

    def _tell(self, k: int) -> Told:
        events = self.view.events
        table = EVENT_TABLES[int(events.table[k])]
        causes = self.view.links.causes(events, k)
        cause = causes[0] if causes else None
        return Told(
            party=int(events.party[k]),
            state=int(events.state[k]),
            words=printable(self.view.words(k)[:WORDS_LOOKED_AT]),
            absent=table in ("exchanges", "links"),
            cause=None if cause is None else cause.party,
            latency_ns=None if cause is None else cause.latency_ns,
        )

    def _no_order(self, a: int, b: int) -> bool:
        """Whether the order of two neighbours is not known: other clocks, bands that touch."""
        if self._source(a) == self._source(b):
            return False
        times = self.view.events.t_ns
        return not is_order_known(int(times[a]), self._band(a), int(times[b]), self._band(b))

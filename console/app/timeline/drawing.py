"""The rows of one run as pieces: what stands on an event's, a wait's or a bucket's row."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from rich.cells import cell_len

from console.app.run_view import RunView
from console.app.signs import Signs
from console.app.timeline.bits import wire_rows
from console.app.timeline.columns import GUTTER, Columns
from console.app.timeline.event_row import Told, event_cells, wait_cells
from console.app.timeline.gutter import Clock, bracket, full_time, gutter_cells, since_head
from console.app.timeline.minutes import MinuteRows
from console.app.timeline.pieces import Row, cut, right_filled
from console.app.timeline.shown import Shown
from console.app.timeline.wire_at import wire_under
from console.timeline.events import EVENT_TABLES
from console.timeline.latency import latency_words
from console.timeline.order import is_order_known
from decoders.durations import in_words

FULL_FROM_NS = 10**9  # later in its group than this, an event has its time in full
Bools = npt.NDArray[np.bool_]
REMEMBERED = 4_096  # events whose words and bands are kept at hand
WORDS_LOOKED_AT = 400  # characters of an event's words; a row shows fewer
NEAR = 24  # events behind one that are asked whether their order to it is known


class Drawing:
    """Draws rows of one run; remembers what it looked up."""

    def __init__(self, view: RunView, signs: Signs, keep_mask: Bools | None = None) -> None:
        self.view, self.signs = view, signs
        self.keep_mask = keep_mask  # bool[n] of the events that are counted; None: all
        self.marks_ns: frozenset[int] = frozenset()
        self._told = lru_cache(REMEMBERED)(self._tell)
        self._source = lru_cache(REMEMBERED)(view.source)
        self._band = lru_cache(REMEMBERED)(view.band_ns)
        self._unordered_until = lru_cache(REMEMBERED)(self._find_unordered_until)
        bands = [clock.band_ns for clock in view.evidence.clocks.values()]
        self._widest_ns = max((band for band in bands if band is not None), default=0)
        self._reaches: tuple[Shown | None, dict[int, int]] = None, {}
        self._minutes: dict[int, MinuteRows] = {}
        self._bits: tuple[tuple[int, int], Sequence[Row]] | None = None

    def head(self, columns: Columns, chosen: int | None, clock: Clock) -> Row:
        """The names of the columns."""
        words = {"start": "time", "wall": "time UTC", "mark": "since mark"}
        row: Row = [(" " + right_filled(words[clock], GUTTER - 3, "") + "  ", "head")]
        left, right = len(columns.left), len(columns.right)
        for k, column in enumerate(columns.every):
            before = f"{self.signs.left}{left} " if left and k == 0 else ""
            is_last = k == len(columns.every) - 1
            behind = f" {self.signs.right}{right}" if right and is_last else ""
            room = column.width - 1 - len(before) - len(behind)
            name = cut(self._name(column.party), room, self.signs.ellipsis)
            style = "head-chosen" if column.party == chosen else "head"
            row += [(before, "head"), (name, style)]
            row += [(" " * (room - cell_len(name)), "head"), (behind, "head"), (" ", "head")]
        return row

    def _name(self, party: int) -> str:
        return self.signs.clean(self.view.parties.every[party].name[:WORDS_LOOKED_AT])

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
        if head == position or chosen or t_ns - shown.t_ns(head) >= FULL_FROM_NS:
            text, style = full_time(t_ns, band, origin_ns, wall_ns, self._length_ns), "text"
        else:
            between = self._band_between(shown.event(head), k)
            text, style = since_head(t_ns, shown.t_ns(head), between), "time"
        before, after = self._is_joined(shown, position - 1), self._is_joined(shown, position)
        joined = bracket(before, after, self.signs)
        gutter = gutter_cells(text, joined, self.signs, chosen=chosen, style=style)
        if t_ns in self.marks_ns and not chosen:
            gutter[0] = (self.signs.mark, "note")
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
            counted = self.view.buckets(width_ns)
            if self.keep_mask is not None:
                counted = self.view.buckets_of_some(self.keep_mask, counted[0])
            self._minutes[width_ns] = MinuteRows(
                *counted, self.view.parties.every, self.view.unseen
            )
        minutes = self._minutes[width_ns]
        begins = minutes.buckets.begins_ns(k)
        digits_ns = width_ns if wall_ns is not None else min(width_ns, 10**9)
        text = full_time(begins, digits_ns, origin_ns, wall_ns, self._length_ns)
        gutter = gutter_cells(text, "", self.signs, chosen=chosen, style="text")
        return gutter + minutes.cells(k, columns, self.signs)

    def bit_rows(self, k: int, width: int) -> Sequence[Row]:
        """The wire under an event, as rows."""
        if self._bits is None or self._bits[0] != (k, width):
            self._bits = (k, width), self._draw_bits(k, width)
        return self._bits[1]

    def _draw_bits(self, k: int, width: int) -> Sequence[Row]:
        wire = wire_under(self.view, k)
        if isinstance(wire, str):
            text = cut(self.signs.clean(wire), width - GUTTER - 1, self.signs.ellipsis)
            return [[(" " * GUTTER, "quiet"), (text, "unseen")]]
        return wire_rows(wire, width, self.signs)

    def _tell(self, k: int) -> Told:
        events = self.view.events
        table = EVENT_TABLES[int(events.table[k])]
        causes = self.view.links.causes(events, k)
        cause, latency = causes[0] if causes else None, ""
        if cause is not None:
            latency = latency_words(cause.latency_ns, cause.band_ns, self.signs.plus_minus)
        return Told(
            party=int(events.party[k]),
            state=int(events.state[k]),
            words=self.signs.clean(self.view.words(k)[:WORDS_LOOKED_AT]),
            name=self._name(int(events.party[k])),
            absent=table in ("exchanges", "links"),
            cause=None if cause is None else cause.party,
            latency=latency,
        )

    @property
    def _length_ns(self) -> int:
        return self.view.end_ns - self.view.start_ns

    def _band_between(self, a: int, b: int) -> int:
        """Half-width within which the time between two events is known; one clock knows its own."""
        if self._band(b) < 0 or self._source(a) == self._source(b):
            return min(self._band(b), 0)
        return -1 if self._band(a) < 0 else self._band(a) + self._band(b)

    def _is_joined(self, shown: Shown, position: int) -> bool:
        """Whether some event up to here may have been after one that stands behind it."""
        return self._reach(shown, position) > position

    def _reach(self, shown: Shown, position: int) -> int:
        """The last position whose order to some event up to here is not known.

        Of what lies `NEAR` or more before, none reaches further than here.
        """
        if self._reaches[0] is not shown or len(self._reaches[1]) > REMEMBERED:
            self._reaches = shown, {}
        known = self._reaches[1]
        if position not in known:
            near = [known[position - 1]] if position - 1 in known else []
            first = position if near else max(position - NEAR + 1, 0)
            near += [self._unordered_until(shown, a) for a in range(first, position + 1)]
            known[position] = max(near, default=position)
        return known[position]

    def _find_unordered_until(self, shown: Shown, position: int) -> int:
        """The last of the `NEAR` next whose order to one is not known; itself without any."""
        k = shown.event(position)
        band, last = self._band(k), position
        far_ns = shown.t_ns(position) + band + self._widest_ns
        for at in range(position + 1, min(position + NEAR + 1, len(shown))):
            if band >= 0 and shown.t_ns(at) > far_ns and self._band(shown.event(at)) >= 0:
                break
            if self._no_order(k, shown.event(at)):
                last = at
        return last

    def _no_order(self, a: int, b: int) -> bool:
        """Whether the order of two events is not known: other clocks, bands that touch."""
        if self._source(a) == self._source(b):
            return False
        times = self.view.events.t_ns
        return not is_order_known(int(times[a]), self._band(a), int(times[b]), self._band(b))

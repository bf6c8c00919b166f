"""Where the user stands in what is shown, and the lines laid out around that place.

It knows a screen only by its width and height, and neither keys nor colours.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from console.app.run_view import RunView
from console.app.timeline.columns import Columns, columns_for
from console.app.timeline.drawing import Drawing
from console.app.timeline.shown import Shown, kept_of_parties
from console.app.timeline.viewport import (
    BIT,
    BUCKET,
    EVENT,
    WAIT,
    Line,
    bucket_lines,
    event_lines,
    row_of,
    within,
)
from console.timeline.buckets import WIDTHS_NS

Depth = Literal["minutes", "events", "bits"]
MOST_CELLS = 400_000  # buckets times parties: 25 MB of counts
DEPTHS: tuple[Depth, ...] = ("minutes", "events", "bits")


def widths_that_fit(view: RunView) -> list[int]:
    """Widths of buckets, narrowest first, whose counts of the whole run fit in memory."""
    first_ns, last_ns = view.span_ns
    most = MOST_CELLS // max(len(view.parties.every), 1)
    return [w for w in WIDTHS_NS if (last_ns - first_ns) // w <= most] or [WIDTHS_NS[-1]]


class Standing:
    """A place in a run: event and time, row of the screen, depth and column."""

    def __init__(self) -> None:
        self.view: RunView | None = None
        self.drawing: Drawing | None = None
        self.shown: Shown | None = None
        self.parties: list[int] = []  # in the user's order, hidden ones left out
        self.chosen_party = 0  # position in parties
        self.depth: Depth = "events"
        self.bucket_ns = 60_000_000_000
        self.cursor = 0  # position in shown
        self.place_ns = 0
        self.first_bit = 0  # of the lines of bits, the first on the screen
        self.width, self.height = 0, 1  # cells; rows below the head line
        self.y = 4  # row of the cursor
        self._was_settled = False
        self._lines: list[Line] | None = None
        self._columns: Columns | None = None

    # --- what is shown, and on what

    def show(self, drawing: Drawing, parties: Sequence[int], place_ns: int | None = None) -> None:
        """Stand in a run, or in another choice of its events.

        Args:
            drawing: of the run, with the mask of the events that pass the filter.
            parties: indices of the columns in order.
            place_ns: where to stand; None: where it stands now.
        """
        view, event = drawing.view, None
        if view is self.view:
            event = self.event
        elif self.view is None or view.held is None:  # else the same run, and the user's width
            self.bucket_ns = view.usual_width_ns()
        self.bucket_ns = max(self.bucket_ns, widths_that_fit(view)[0])  # a run may have grown
        self.view, self.drawing, self.parties = view, drawing, list(parties)
        self.chosen_party = min(self.chosen_party, max(len(self.parties) - 1, 0))
        every = len(view.parties.every)
        keep = kept_of_parties(view.events, self.parties, every, drawing.keep_mask)
        self.shown = Shown(view.events, keep)
        if place_ns is not None:
            self.place_ns = place_ns
        self.cursor = self.shown.near(self.place_ns)
        if event is not None and place_ns is None and self.depth != "minutes":
            self.cursor = self.shown.position(event)
        if self.event != event:
            self.first_bit = 0
        self._forget()

    def fit(self, width: int, height: int) -> bool:
        """Take the size of the screen, its head line counted; whether it is another one."""
        size = width, max(height - 1, 1)
        if size == (self.width, self.height):
            return False
        self.width, self.height = size
        self._forget()
        return True

    def settle(self) -> None:
        """Keep the row on the screen; the first time there is one, with a third above."""
        self.y = within(self.y if self._was_settled else self.height // 3, self.height)
        self._was_settled = True
        self._forget()

    # --- what is chosen

    @property
    def event(self) -> int | None:
        """The chosen event."""
        if self.shown is None or not len(self.shown):
            return None
        return self.shown.event(self.cursor)

    @property
    def party(self) -> int | None:
        """The party whose column is chosen."""
        return self.parties[self.chosen_party] if self.parties else None

    @property
    def bucket(self) -> int:
        """The bucket of the place."""
        return 0 if self.view is None else self.view.buckets(self.bucket_ns)[0].at(self.place_ns)

    def is_chosen(self, line: Line) -> bool:
        """Whether the chosen event, or the bucket of the place, stands on a line."""
        if line.kind == EVENT:
            return line.at == self.cursor
        return line.kind == BUCKET and line.at == self.bucket

    # --- what is around it

    def lines(self) -> list[Line]:
        """What stands on each row below the head line."""
        if self._lines is None:
            self._lines = self._lay_out()
        return self._lines

    def _lay_out(self) -> list[Line]:
        if self.view is None or self.shown is None:
            return []
        if self.depth == "minutes":
            count = len(self.view.buckets(self.bucket_ns)[0])
            return bucket_lines(count, self.bucket, self.y, self.height)
        bits = self._bit_count() if self.depth == "bits" else 0
        return event_lines(self.shown, self.cursor, self.y, self.height, bits, self.first_bit)

    def columns(self) -> Columns:
        """The columns that fit, the chosen one among them."""
        if self._columns is None:
            self._columns = columns_for(self.parties, self.width, self.chosen_party)
        return self._columns

    def visible_ns(self) -> tuple[int, int]:
        """First and last time on the screen."""
        times = [t for t in map(self._time_of, self.lines()) if t is not None]
        if not times:
            return self.place_ns, self.place_ns
        more = self.bucket_ns if self.depth == "minutes" else 0
        return min(times), max(times) + more

    def _time_of(self, line: Line) -> int | None:
        if self.view is None or self.shown is None:
            return None
        if line.kind in (EVENT, WAIT):
            return self.shown.t_ns(line.at)
        if line.kind == BUCKET:
            return self.view.buckets(self.bucket_ns)[0].begins_ns(line.at)
        return None

    @property
    def bits_below(self) -> int:
        """Lines of bits under the chosen event that are below the screen."""
        if self.depth != "bits" or self.event is None:
            return 0
        return self._bit_count() - self.first_bit - self.count_of(BIT)

    def _bit_count(self) -> int:
        """Lines of bits under the chosen event, on the screen or not."""
        if self.drawing is None or (event := self.event) is None:
            return 0
        return len(self.drawing.bit_rows(event, self.width))

    def count_of(self, kind: int) -> int:
        """Rows of the screen on which a kind of line stands."""
        return sum(line.kind == kind for line in self.lines())

    def _forget(self) -> None:
        self._lines = self._columns = None

    # --- standing elsewhere: each says whether it could

    def go_to(self, t_ns: int, event: int | None = None, depth: Depth | None = None) -> bool:
        """Stand on an event, or at a time; before a run is shown only the time is kept."""
        if self.shown is None or self.view is None:
            self.place_ns = t_ns
            return False
        self.cursor = self.shown.near(t_ns) if event is None else self.shown.position(event)
        self.place_ns, self.first_bit = t_ns, 0
        self.y = within((self.height + 1) // 3, self.height)  # of the screen with its head line
        if event is not None:
            self._show_column(int(self.view.events.party[event]))
        if depth is not None:
            self.depth = depth
        self._forget()
        return True

    def _show_column(self, party: int) -> None:
        """Choose a party's column where it is beside the screen."""
        if party in (columns := self.columns()).left + columns.right:
            self.chosen_party = self.parties.index(party)

    def stand_on(self, position: int) -> bool:
        """Choose an event; the screen moves no more than it must."""
        if self.shown is None or not len(self.shown):
            return False
        position = max(0, min(position, len(self.shown) - 1))
        if self.depth != "bits":  # there the next one's bits are drawn where this one's were
            y = row_of(self.lines(), lambda line: line.kind == EVENT and line.at == position)
            step = 2 * (position - self.cursor)
            self.y = within(self.y + step if y is None else y, self.height)
        self.cursor = position
        self.place_ns = self.shown.t_ns(position)
        self.first_bit = 0
        self._forget()
        return True

    def stand_in_bucket(self, k: int) -> bool:
        """Choose a bucket: the first of its gravest events; without any its beginning."""
        if self.view is None or self.shown is None:
            return False
        buckets, _ = self.view.buckets(self.bucket_ns)
        k = max(0, min(k, len(buckets) - 1))
        y = row_of(self.lines(), lambda line: line.kind == BUCKET and line.at == k)
        self.y = within(self.y if y is None else y, self.height)
        begin = buckets.begins_ns(k)
        first = self.shown.first_in(begin, begin + buckets.width_ns)
        self.place_ns, self.cursor = begin, self.shown.near(begin)
        if first is not None:
            self.cursor = self.shown.worst_in(first, begin + buckets.width_ns)
            self.place_ns = self.shown.t_ns(self.cursor)
        self._forget()
        return True

    def scroll_bits(self, rows: int) -> bool:
        """Go through the lines of bits; whether there were any that way, beyond the screen."""
        wanted = self.first_bit + rows
        if self.event is None:
            return False
        if (rows > 0 and wanted >= self._bit_count()) or (rows < 0 and self.first_bit == 0):
            return False
        self.first_bit = max(wanted, 0)
        self._forget()
        return True

    def choose_column(self, at: int) -> bool:
        """Choose the column at a position, or the one next to it that there is."""
        if not self.parties:
            return False
        self.chosen_party = max(0, min(at, len(self.parties) - 1))
        self._forget()
        return True

    def look_at(self, depth: Depth) -> bool:
        """Look at the same place from a depth."""
        if depth == self.depth:
            return False
        self.depth, self.first_bit = depth, 0
        self._forget()
        return True

    def take_width(self, bucket_ns: int) -> bool:
        """Take buckets of a width."""
        if bucket_ns == self.bucket_ns:
            return False
        self.bucket_ns = bucket_ns
        self._forget()
        return True

"""One peripheral over the run: where it answered, where it did not, and which episode is meant."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np
from rich.cells import cell_len
from rich.segment import Segment
from textual import events
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from console.app.signs import Signs
from console.app.timeline.pieces import Row, filled
from console.diagnosis.episode import Episode
from console.timeline.times import since_start
from decoders.durations import UNITS_NS

NAME_MOST = 18
STYLES = ("name", "healthy", "dead", "outside", "here")
OUTSIDE, HEALTHY, DEAD = range(3)


class LifeBar(Widget):
    """Two lines: the lives of one device as a bar; under it when the episode meant began."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"life--{name}" for name in STYLES}
    DEFAULT_CSS = """
    LifeBar { height: 2; background: $background; }
    LifeBar .life--name { color: $primary; text-style: bold; }
    LifeBar .life--healthy { color: $sign-good; }
    LifeBar .life--dead { color: $sign-bad; text-style: bold; }
    LifeBar .life--outside { color: $quiet; }
    LifeBar .life--here { color: $foreground; }
    """

    class Chosen(Message):
        """The user chose a moment of the bar."""

        def __init__(self, t_ns: int) -> None:
            super().__init__()
            self.t_ns = t_ns

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._signs = signs
        self._lives: Sequence[Episode] = ()
        self._meant: Episode | None = None
        self._span = (0, 1)

    def show(self, lives: Sequence[Episode], meant: Episode, span_ns: tuple[int, int]) -> None:
        """Draw the lives of a device.

        Args:
            lives: of one device, in order.
            meant: the one that is told of.
            span_ns: begin and end of the run.
        """
        self._lives, self._meant = lives, meant
        self._span = span_ns[0], max(span_ns[1], span_ns[0] + 1)
        self.refresh()

    @property
    def _device(self) -> str:
        name = "" if self._meant is None else self._signs.clean(self._meant.device)
        return f" {filled(name, min(cell_len(name), NAME_MOST), self._signs.ellipsis)} "

    def render_line(self, y: int) -> Strip:
        """The bar, or what stands under it."""
        width = self.size.width
        name = self._device
        bins = width - cell_len(name) - 1
        if self._meant is None or bins < 1:
            return Strip.blank(width, self.rich_style)
        row = [(name, "name"), *self._bar(bins)] if y == 0 else self._under(cell_len(name), bins)
        strip = Strip(
            [Segment(text, self.get_component_rich_style(f"life--{style}")) for text, style in row]
        )
        return strip.adjust_cell_length(width, self.rich_style)

    def _bar(self, bins: int) -> Row:
        """Runs of equal bins; a dead stretch shows however short it is."""
        state = np.full(bins, OUTSIDE)
        for life in self._lives:
            state[self._bins(life.first_good_ns, life.last_good_ns, bins)] = HEALTHY
        for life in self._lives:
            if life.failed:
                state[self._bins(life.first_bad_ns, life.until_ns, bins)] = DEAD
        looks = {
            OUTSIDE: (self._signs.dot, "outside"),
            HEALTHY: (self._signs.observed, "healthy"),
            DEAD: (self._signs.lost, "dead"),
        }
        ends = [*np.flatnonzero(np.diff(state)) + 1, bins]
        begins = [0, *ends[:-1]]
        return [
            (looks[int(state[a])][0] * int(b - a), looks[int(state[a])][1])
            for a, b in zip(begins, ends, strict=True)
        ]

    def _under(self, left: int, bins: int) -> Row:
        """The sign, and beside it the moments where there is more room: they are short."""
        assert self._meant is not None
        at = left + self._bin(self._meant.first_bad_ns, bins)
        words, wide = self._moments(), left + bins
        if wide - at - 2 >= len(words):
            return [(" " * at + f"{self._signs.here} {words}", "here")]
        if at - 1 >= len(words):
            return [(f"{words} ".rjust(at) + self._signs.here, "here")]
        return [(" " * at + self._signs.here, "here")]

    def _moments(self) -> str:
        """When it last answered, and when it first did not, from the start of the run."""
        assert self._meant is not None
        start, ms = self._span[0], UNITS_NS["ms"]
        bad = f"first bad {since_start(self._meant.first_bad_ns - start, ms)}"
        if not self._meant.transactions_answered:
            return bad
        return f"last good {since_start(self._meant.last_good_ns - start, ms)}, {bad}"

    def _bin(self, t_ns: int, bins: int) -> int:
        start, end = self._span
        return max(0, min(bins - 1, (t_ns - start) * bins // (end - start)))

    def _bins(self, from_ns: int, until_ns: int, bins: int) -> slice:
        return slice(self._bin(from_ns, bins), self._bin(until_ns, bins) + 1)

    def on_click(self, event: events.Click) -> None:
        """A click means a moment."""
        left = cell_len(self._device)
        bins = self.size.width - left - 1
        if self._meant is None or bins < 1 or not left <= event.x < left + bins:
            return
        start, end = self._span
        self.post_message(self.Chosen(start + (event.x - left) * (end - start) // bins))

"""The ribbon: the whole run on a few lines, where it went wrong, and where the screen is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from rich.segment import Segment
from rich.style import Style
from textual import events as tui
from textual.message import Message
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from console.app.run_view import RunView
from console.app.signs import UNICODE, Signs
from console.app.timeline.columns import GUTTER
from console.app.timeline.pieces import filled

STYLES = ("name", "bad", "odd", "quiet", "here", "mark", *(f"party-{k}" for k in range(1, 9)))


class Ribbon(Widget):
    """Activity of each party over the run, findings, the visible window, marks."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"ribbon--{name}" for name in STYLES}
    DEFAULT_CSS = """
    Ribbon { height: 5; background: $surface; }
    Ribbon .ribbon--name { color: $quiet; }
    Ribbon .ribbon--bad { color: $sign-bad; text-style: bold; }
    Ribbon .ribbon--odd { color: $sign-warning; }
    Ribbon .ribbon--quiet { color: $quiet; }
    Ribbon .ribbon--here { color: $primary; text-style: bold; }
    Ribbon .ribbon--mark { color: $accent; text-style: bold; }
    Ribbon .ribbon--party-1 { color: $party-1; }
    Ribbon .ribbon--party-2 { color: $party-2; }
    Ribbon .ribbon--party-3 { color: $party-3; }
    Ribbon .ribbon--party-4 { color: $party-4; }
    Ribbon .ribbon--party-5 { color: $party-5; }
    Ribbon .ribbon--party-6 { color: $party-6; }
    Ribbon .ribbon--party-7 { color: $party-7; }
    Ribbon .ribbon--party-8 { color: $party-8; }
    """
    view: reactive[RunView | None] = reactive(None)
    parties: reactive[tuple[int, ...]] = reactive(())
    window: reactive[tuple[int, int]] = reactive((0, 0))  # visible, common axis
    marks: reactive[tuple[int, ...]] = reactive(())

    class Chosen(Message):
        """The user pointed at a moment of the run."""

        def __init__(self, t_ns: int) -> None:
            super().__init__()
            self.t_ns = t_ns

    def __init__(self, *, signs: Signs = UNICODE) -> None:
        super().__init__()
        self.signs = signs
        self._styles: dict[str, Style] = {}
        self._found: tuple[RunView, int, dict[int, bool]] | None = None

    def notify_style_update(self) -> None:
        """The theme changed."""
        super().notify_style_update()
        self._styles.clear()

    def watch_parties(self) -> None:
        """Take no more lines than there are parties, and one for the signs."""
        self.styles.max_height = len(self.parties) + 1

    @property
    def _columns(self) -> int:
        return max(self.size.width - GUTTER - 1, 1)

    def render_line(self, y: int) -> Strip:
        """A party's activity; the last line has the signs."""
        width = self.size.width
        if self.view is None or not self.parties:
            return Strip.blank(width, self.rich_style)
        last = self.size.height - 1
        segments = self._signs_line(self.view) if y == last else self._activity(self.view, y)
        return Strip(segments).adjust_cell_length(width, self.rich_style)

    def _activity(self, view: RunView, y: int) -> list[Segment]:
        shown = self._shown(view)
        if y >= len(shown):
            return []
        party = shown[y]
        name = " " + self._named(view, party) + " "
        columns = self._columns
        bad = resampled(view.fine.bad[:, party], columns)
        counts = resampled(view.fine.events[:, party], columns) - bad
        odd = resampled(view.fine.odd[:, party], columns)
        usual = max(float(np.percentile(counts, 95)), 1.0)
        levels = np.ceil(np.minimum(counts / usual, 1.0) * (len(self.signs.bars) - 1)).astype(int)
        levels = np.maximum(levels, bad > 0)  # what went wrong is seen, however little it was
        styles = np.where(bad > 0, 1, np.where(odd > 0, 2, 0))
        segments = [Segment(name, self._style("name"))]
        names = (f"party-{party % 8 + 1}", "bad", "odd")
        begin = 0
        for end in [*(np.flatnonzero(np.diff(styles)) + 1), columns]:
            text = "".join(self.signs.bars[level] for level in levels[begin:end])
            segments.append(Segment(text, self._style(names[styles[begin]])))
            begin = end
        return segments

    def _named(self, view: RunView, party: int) -> str:
        name = self.signs.clean(view.parties.every[party].name[: 2 * GUTTER])
        return filled(name, GUTTER - 2, self.signs.ellipsis)

    def _signs_line(self, view: RunView) -> list[Segment]:
        """Findings, marks and the window, on one line; what is graver is drawn over the rest."""
        columns = self._columns
        cells: list[tuple[str, str]] = [(" ", "quiet")] * columns
        first, last = (self._column(view, t_ns) for t_ns in self.window)
        for k in range(first, last + 1):
            cells[k] = (self.signs.here if first == last else self.signs.run, "here")
        for k, is_fault in self._found_at(view).items():
            cells[k] = (self.signs.bad, "bad") if is_fault else (self.signs.odd, "odd")
        for k in {self._column(view, t_ns) for t_ns in self.marks}:
            if cells[k][1] != "bad":  # a mark never hides a fault
                cells[k] = (self.signs.mark, "mark")
        segments = [Segment(" " * GUTTER, self._style("quiet"))]
        return segments + [Segment(sign, self._style(style)) for sign, style in cells]

    def _found_at(self, view: RunView) -> dict[int, bool]:
        """Columns with findings, and whether a fault is among them; notes are not shown."""
        if self._found is None or self._found[:2] != (view, self._columns):
            columns: dict[int, bool] = {}
            for finding in view.evidence.findings:
                if finding.severity != "note":
                    k = self._column(view, finding.t_ns)
                    columns[k] = columns.get(k, False) or finding.severity == "fault"
            self._found = view, self._columns, columns
        return self._found[2]

    def _shown(self, view: RunView) -> Sequence[int]:
        """The parties that have a line: all that fit, or where there is one line, the worst."""
        fit = self.size.height - 1
        if len(self.parties) <= fit:
            return self.parties
        bad = view.fine.bad.sum(axis=0) * 1_000 + view.fine.odd.sum(axis=0)
        worst = sorted(self.parties, key=lambda party: -int(bad[party]))[:fit]
        return [party for party in self.parties if party in worst]

    def _column(self, view: RunView, t_ns: int) -> int:
        span = max(view.end_ns - view.start_ns, 1)
        return max(0, min(self._columns - 1, (t_ns - view.start_ns) * self._columns // span))

    def _style(self, name: str) -> Style:
        if name not in self._styles:
            self._styles[name] = self.get_component_rich_style(f"ribbon--{name}")
        return self._styles[name]

    def on_click(self, event: tui.Click) -> None:
        """Go to the moment under the pointer."""
        k = event.x - GUTTER
        if self.view is not None and 0 <= k < self._columns:
            span = self.view.end_ns - self.view.start_ns
            self.post_message(
                self.Chosen(self.view.start_ns + (2 * k + 1) * span // (2 * self._columns))
            )


def resampled(counts: npt.NDArray[np.int64], columns: int) -> npt.NDArray[np.int64]:
    """Counts of fine bins added up, or spread, to so many columns; none is left out."""
    borders = np.arange(columns) * len(counts) // columns
    if columns <= len(counts):
        summed: npt.NDArray[np.int64] = np.add.reduceat(counts, borders)
        return summed
    return counts[borders]

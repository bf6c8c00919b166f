"""The head of every screen over a run: what run it is, and the story in one line."""

from __future__ import annotations

from collections import Counter
from typing import ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.message import Message
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from console.app.run_view import RunView
from console.app.signs import UNICODE, Signs
from console.app.timeline.pieces import cut
from console.timeline.times import since_start
from console.watch.findings import SEVERITIES, counted
from decoders.durations import UNITS_NS, in_words

LOOKED_AT = 1_000  # characters of a name or summary; the screen shows fewer
STYLES = ("name", "quiet", "fault", "warning", "note", "story", "good")


class Head(Widget):
    """Two lines: the run's name, length and counts; and its gravest finding in words."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"head--{name}" for name in STYLES}
    DEFAULT_CSS = """
    Head { height: 2; dock: top; background: $panel; }
    Head .head--name { color: $primary; text-style: bold; }
    Head .head--quiet { color: $quiet; }
    Head .head--fault { color: $sign-bad; text-style: bold; }
    Head .head--warning { color: $sign-warning; }
    Head .head--note { color: $quiet; }
    Head .head--story { color: $sign-bad; text-style: bold; }
    Head .head--good { color: $sign-good; }
    """
    view: reactive[RunView | None] = reactive(None)

    class StoryChosen(Message):
        """The user chose the line that tells the gravest finding."""

    def __init__(self, *, signs: Signs = UNICODE) -> None:
        super().__init__()
        self.signs = signs

    def render_line(self, y: int) -> Strip:
        """The first line, or the story."""
        width = self.size.width
        if self.view is None:
            return Strip.blank(width, self.rich_style)
        pieces = (
            _about(self.view, self.signs, width) if y == 0 else _story(self.view, self.signs, width)
        )
        strip = Strip([Segment(text, self._style(name)) for text, name in pieces])
        return strip.adjust_cell_length(width, self.rich_style)

    def _style(self, name: str) -> Style:
        return self.get_component_rich_style(f"head--{name}")

    def on_click(self) -> None:
        """Go to the story."""
        self.post_message(self.StoryChosen())


def _about(view: RunView, signs: Signs, width: int) -> list[tuple[str, str]]:
    evidence = view.evidence
    counts = Counter(finding.severity for finding in evidence.findings)
    right: list[tuple[str, str]] = [
        (counted(counts[severity], severity), severity)
        for severity in SEVERITIES
        if counts[severity]
    ]
    right = right or [("no findings", "good")]
    right_cells = sum(cell_len(text) + 2 for text, _ in right)
    said = [f" {_length_words(view.end_ns - view.start_ns)}", _order_words(view)]
    if evidence.interrupted:
        said.append("only what was read so far")
    name = cut(signs.clean(evidence.name[:LOOKED_AT]), min(30, width // 3), signs.ellipsis)
    left = "  ".join(part for part in said if part)
    room = width - 1 - cell_len(name) - 2 - right_cells
    left = cut(left, max(room, 0), signs.ellipsis)
    pad = " " * max(room - cell_len(left), 0)
    row = [(f" {name} ", "name"), (left + pad + " ", "quiet")]
    for text, style in right:
        row.append((f" {text} ", style))
    return row


def _length_words(ns: int) -> str:
    """How long a run is, as one would say it; on the clock's face between a minute and days."""
    if UNITS_NS["min"] <= ns < 48 * UNITS_NS["h"]:
        return since_start(ns, UNITS_NS["s"] // 10)
    return in_words(ns)


def _order_words(view: RunView) -> str:
    """How well the order of events of different sources is known, at worst."""
    clocks = view.evidence.clocks
    if len(clocks) < 2:
        return ""
    bands = [clock.band_ns for clock in clocks.values()]
    known = [band for band in bands if band is not None]
    if len(known) < len(bands):
        return "order not known for every source"
    return f"order known to {in_words(max(known))}"


def _story(view: RunView, signs: Signs, width: int) -> list[tuple[str, str]]:
    finding = view.gravest()
    if finding is None:
        so_far = " so far" if view.evidence.interrupted else ""
        return [(f" No rule found anything wrong{so_far}.", "quiet" if so_far else "good")]
    sign = {"fault": signs.bad, "warning": signs.odd}.get(finding.severity, signs.dot)
    style = "story" if finding.severity == "fault" else finding.severity
    text = cut(f" {sign} {signs.clean(finding.summary[:LOOKED_AT])}", width - 1, signs.ellipsis)
    return [(text, style)]

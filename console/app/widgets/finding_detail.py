"""What a finding rests on: its words in full, its evidence, its moments, what was around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from console.app.around import Near
from console.app.finding_groups import FindingRow, Place
from console.app.signs import Signs
from console.app.timeline.pieces import filled
from console.app.widgets.list_rows import party_style
from console.timeline.events import BAD, GOOD, ODD, UNSEEN
from console.timeline.times import since_start
from console.watch.evidence_words import band_of, count_of, evidence_words
from console.watch.findings import TIMES_KEPT

Span = tuple[str, str]  # text, its look
PAIR = 46  # cells of a label with its value from which two stand side by side
MOST_VALUE = 2_000  # characters of one value; the JSON table has it whole


@dataclass(frozen=True, slots=True)
class Meant:
    """What is told of: a row, one moment of it, and what else is known."""

    row: FindingRow
    step: int  # which of its places is meant
    start_ns: int  # when the run began
    note: str | None  # what it was acknowledged with; None where it was not
    doubt: str  # what else to know about its time; "" for nothing
    event: int | None  # where it leads
    near: tuple[Near, ...]  # events around that


class FindingDetail(VerticalScroll, can_focus=True):
    """The finding that is meant. Nothing here asks for anything."""

    DEFAULT_CSS = """
    FindingDetail { height: auto; padding: 0 1; background: $surface; }
    FindingDetail Static { height: auto; width: 1fr; }
    """

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._signs = signs
        self._meant: Meant | None = None

    def compose(self) -> ComposeResult:
        """One text; it is short."""
        yield Static(id="finding-words", markup=False)

    def on_resize(self) -> None:
        """Lay the values out anew."""
        if self._meant is not None:
            self.show(self._meant)

    def show(self, meant: Meant) -> None:
        """Tell of a finding."""
        self._meant = meant
        places = meant.row.places()
        finding = places[min(meant.step, len(places) - 1)].finding
        told = (
            f"{finding.severity}, by rule {finding.rule}, of {finding.party}"
            + (f", seen in {finding.source}" if finding.source else "")
            + (f". {meant.doubt}" if meant.doubt else "")
        )
        parts: list[Span] = [
            (self._signs.clean(finding.summary), "$lit bold"), ("\n", ""),
            (self._signs.clean(told), "$quiet"), ("\n", ""),
        ]  # fmt: skip
        if meant.note is not None:
            words = (
                f"acknowledged: {self._signs.clean(meant.note)}" if meant.note else "acknowledged"
            )
            parts += [(f"{self._signs.done} {words}", "$sign-good"), ("\n", "")]
        parts += self._pairs(
            [
                (self._signs.clean(label), self._signs.clean(value[:MOST_VALUE]))
                for label, value in evidence_words(finding, meant.start_ns)
            ]
        )
        if len(places) > 1:
            parts += self._times(places, meant)
        parts += self._around(meant)
        self.query_one("#finding-words", Static).update(Content.assemble(*parts))

    def _pairs(self, pairs: Sequence[tuple[str, str]]) -> list[Span]:
        """Labels and values, as many side by side as fit."""
        width = max(20, self.size.width - 2)
        columns = max(1, width // PAIR)
        cell = width // columns
        label_width = max((cell_len(label) for label, _ in pairs), default=0)
        parts: list[Span] = []
        at = 0
        for label, value in pairs:
            needed = label_width + 2 + cell_len(value) + 1
            # What is too long for its column takes a line of its own.
            takes = 1 if needed <= cell else columns
            if at + takes > columns:
                parts.append(("\n", ""))
                at = 0
            parts.append((label + " " * (label_width - cell_len(label) + 2), "$quiet"))
            parts.append((value + " " * max(0, cell - needed + 1) * (at + takes < columns), ""))
            at += takes
        return [*parts, ("\n", "")]

    def _times(self, places: list[Place], meant: Meant) -> list[Span]:
        """The moments around the one that is meant, on one line."""
        step, finding = meant.step, places[meant.step].finding
        words = [
            since_start(p.t_ns - meant.start_ns, band_of(p.finding))
            for p in places[max(0, step - 20) : step + 20]
        ]
        here = min(step, 20)
        head = f"{step + 1:,} of {len(places):,} "
        if not meant.row.is_group and count_of(finding) > len(places) == TIMES_KEPT:
            head += f"kept of {count_of(finding):,} "
        room = max(1, (self.size.width - 6 - len(head)) // (len(words[here]) + 2))
        first = max(0, min(here - room // 2, len(words) - room))
        shown = words[first : first + room]
        before = step - here + first > 0
        after = step - here + first + len(shown) < len(places)
        parts = [(head, "$quiet"), (self._signs.left if before else " ", "$quiet")]
        for k, text in enumerate(shown, first):
            parts.append((f" {text} ", "$lit bold on $here" if k == here else ""))
        return [*parts, (self._signs.right if after else "", "$quiet"), ("\n", "")]

    def _around(self, meant: Meant) -> list[Span]:
        """The events where it leads, one a line."""
        if not meant.near:
            return []
        width, more = self.size.width - 2, self._signs.ellipsis
        at = max(len(near.at) for near in meant.near)
        name = min(14, max(cell_len(self._signs.clean(near.name)) for near in meant.near))
        parts: list[Span] = [("\naround it\n", "$quiet")]
        for near in meant.near:
            sign, colour = self._states[near.state]
            here = near.k == meant.event
            parts += [
                ((self._signs.cursor if here else " ") + " ", "$accent"),
                (f"{near.at:{at}}  ", "" if here else "$quiet"),
                (
                    filled(self._signs.clean(near.name), name, more) + "  ",
                    f"${party_style(near.party)}",
                ),
                (f"{sign} ", colour),
                (
                    filled(self._signs.clean(near.words), width - at - name - 8, more).rstrip()
                    + "\n",
                    "",
                ),
            ]
        return parts

    @property
    def _states(self) -> dict[int, tuple[str, str]]:
        """Sign and colour of an event's state."""
        return {
            GOOD: (self._signs.node, "$quiet"),
            ODD: (self._signs.odd, "$sign-warning"),
            BAD: (self._signs.bad, "$sign-bad"),
            UNSEEN: (self._signs.unseen, "$sign-warning"),
        }

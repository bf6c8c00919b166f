"""How a measured number followed its set point, step by step."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from console.app.signs import Signs
from console.app.timeline.pieces import Row, filled, right_filled
from console.app.widgets.list_rows import HEAD, ListRows
from console.printable import printable
from console.timeline.numbers.step_response import LEAST_VALUES, StepResponse
from console.timeline.times import since_start
from decoders.durations import in_words

MOST_ROWS = 6  # more are scrolled
_LEAST_NOTE = 24  # cells
_WIDTHS = (11, 20, 9, 12, 10, 12)  # when, set point, rise, settling, overshoot, error


_NO_STEP = (
    f"  no step: the set point never changed, or changed again before {LEAST_VALUES} values came"
)


class StepFigures(ListRows):
    """A row for every change of a set point. Says where its parent should go."""

    DEFAULT_CSS = "StepFigures { height: auto; max-height: 7; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "choose", "Show this step", id="numbers.step"),
    ]

    class StepChosen(Message):
        """The user wants to see a step: from its change until it ends."""

        def __init__(self, step: StepResponse) -> None:
            super().__init__()
            self.step = step

    def __init__(self, signs: Signs, *, start_ns: int = 0, ascii_only: bool = False) -> None:
        super().__init__()
        self.steps: tuple[StepResponse, ...] = ()
        self.start_ns = start_ns
        self._unit = ""
        self._why = ""
        self._gains: tuple[str, ...] = ()
        self._signs = signs
        self._ascii_only = ascii_only

    def fill(
        self, steps: tuple[StepResponse, ...], unit: str, why: str, gains: tuple[str, ...] = ()
    ) -> None:
        """Show other steps.

        Args:
            steps: in time order.
            unit: of the set point.
            why: what makes this a pair, in words, not cleaned.
            gains: of each step those in force, in words, not cleaned.
        """
        self.steps, self._unit, self._why, self._gains = steps, unit, why, gains
        self.styles.height = HEAD + min(MOST_ROWS, max(1, len(steps)))
        self.renew(0)

    def go_to(self, t_ns: int) -> None:
        """Put the cursor on the last step up to a moment."""
        before = [k for k, step in enumerate(self.steps) if step.at_ns <= t_ns]
        with self.prevent(ListRows.Moved):
            self.cursor = before[-1] if before else 0

    def row_count(self) -> int:
        """How many rows there are; one that says so when there is no step."""
        return max(1, len(self.steps))

    def action_choose(self) -> None:
        """Show the step under the cursor."""
        if self.cursor < len(self.steps):
            self.post_message(self.StepChosen(self.steps[self.cursor]))

    def head(self, width: int) -> Row:
        """The names of the columns."""
        share = f"{self.steps[0].settled_share:.0%}" if self.steps else ""
        names = ("set at", "set point", "rise", f"settles {share}", "overshoot", "error")
        text = "".join(right_filled(n, w, self._signs.ellipsis) for n, w in self._columns(names))
        return [(text, "head")]

    def pieces(self, row: int, width: int) -> Row:
        """The figures of one step; what could not be told is a dash, with the reason behind it."""
        if not self.steps:
            return [(_NO_STEP, "quiet")]
        step = self.steps[row]
        none = "-"
        figures = (
            since_start(step.at_ns - self.start_ns),
            f"{step.from_value:.4g} > {step.target:.4g} {self._unit}".rstrip(),
            none if step.rise_ns is None else in_words(step.rise_ns),
            _settling_words(step),
            none if step.overshoot_percent is None else f"{step.overshoot_percent:.1f} %",
            none
            if step.steady_error is None
            else f"{step.steady_error:+.3g} {self._unit}".rstrip(),
        )
        cells = [
            right_filled(self._clean(text), w, self._signs.ellipsis)
            for text, w in self._columns(figures)
        ]
        told = "text" if step.settled else "warning"
        pieces: Row = [("".join(cells[:3]), "text"), (cells[3], told), ("".join(cells[4:]), "text")]
        left = max(0, width - sum(_WIDTHS))
        if left >= _LEAST_NOTE:
            pieces.append((filled(f"   {self._notes(row)}", left, self._signs.ellipsis), "quiet"))
        return pieces

    @property
    def note(self) -> str:
        """What limits the figures under the cursor, and what makes these two a pair; cleaned."""
        if self.cursor >= len(self.steps):
            return self._clean(self._why)
        return self._clean("; ".join(filter(None, (self._notes(self.cursor), self._why))))

    def _notes(self, row: int) -> str:
        step = self.steps[row]
        gains = self._clean(self._gains[row]) if row < len(self._gains) else ""
        notes = [f"gains {gains}"] if gains else []
        notes += step.remarks
        if step.band_ns:
            band = (
                "nothing"
                if step.band_ns < 0
                else f"{self._signs.plus_minus}{in_words(step.band_ns)}"
            )
            notes.append(f"times known to {band}")
        return "; ".join(notes)

    def _columns(self, texts: tuple[str, ...]) -> list[tuple[str, int]]:
        return list(zip(texts, _WIDTHS, strict=True))

    def _clean(self, text: str) -> str:
        return printable(text, ascii_only=self._ascii_only)


def _settling_words(step: StepResponse) -> str:
    if step.settling_ns is not None:
        return in_words(step.settling_ns)
    return "not settled" if any("not settled" in words for words in step.remarks) else "-"

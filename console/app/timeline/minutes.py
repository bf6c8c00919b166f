"""One bucket of time as a row: what each party did in it, and how it went."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from rich.cells import cell_len

from console.app.signs import Signs
from console.app.timeline.columns import Columns
from console.app.timeline.pieces import Row, filled
from console.timeline.buckets import Answers, Buckets
from console.timeline.parties import Party
from decoders.durations import in_words

EVENT_WORDS = {"board": "prints", "device": "events", "bus": "events", "network": "messages"}
PLOT = 8  # cells of the small plot


@dataclass(frozen=True, slots=True)
class MinuteRows:
    """Everything the rows of one bucket width are made of."""

    buckets: Buckets
    answers: Answers
    parties: tuple[Party, ...]

    def cells(self, k: int, columns: Columns, signs: Signs) -> Row:
        """The cells of bucket k behind the gutter."""
        row: Row = []
        for column in columns.every:
            row.append((signs.lifeline, "line"))
            row += self._cell(k, column.party, column.width - 1, signs)
        return row

    def _cell(self, k: int, party: int, room: int, signs: Signs) -> Row:
        """A sign, the counts and, where there is room, the bucket's own small plot."""
        words, style = self._words(k, party)
        sign = {"bad": signs.bad, "odd": signs.odd, "unseen": signs.unseen}.get(style, " ")
        plot_fits = cell_len(words) + 3 + PLOT + 1 <= room
        shows_plot = plot_fits and bool(self.buckets.events[k, party])
        text = filled(words, room - 3 - (PLOT + 1 if shows_plot else 0), signs.ellipsis)
        row: Row = [(f"{sign} ", style), (text, style)]
        if shows_plot:
            row += [(self._plot(k, party, signs), f"party-{party % 8 + 1}"), (" ", "text")]
        return [*row, (" ", "text")]

    def _words(self, k: int, party: int) -> tuple[str, str]:
        events, bad = int(self.buckets.events[k, party]), int(self.buckets.bad[k, party])
        odd, unseen = int(self.buckets.odd[k, party]), int(self.buckets.unseen[k, party])
        asked = int(self.answers.asked[k, party])
        if not events:
            return ("", "text") if not self._was_active(k, party) else ("silence", "quiet")
        style = "bad" if bad else "odd" if odd else "unseen" if unseen else "text"
        if asked:
            wrong = int(self.answers.wrong[k, party])
            words = f"{self.answers.answered[k, party]} of {asked} answered"
            words += f", {wrong} wrong" if wrong else ""
            return words + self._pace(k, party), style
        shown = events - bad if self.parties[party].kind == "network" else events
        words = f"{shown:,} {self._noun(party, shown)}"
        for count, word in ((bad, self._lost(party)), (odd, "odd"), (unseen, "not observable")):
            words += f", {count:,} {word}" if count else ""
        return words, style

    def _pace(self, k: int, party: int) -> str:
        median, most = self.answers.median_ns[k, party], self.answers.most_ns[k, party]
        if np.isnan(median):
            return ""
        if most < 1.2 * median:
            return f" in {in_words(int(median))}"
        return f" in {in_words(int(median))} to {in_words(int(most))}"

    def _noun(self, party: int, count: int) -> str:
        word = EVENT_WORDS[self.parties[party].kind]
        return word[:-1] if count == 1 else word

    def _lost(self, party: int) -> str:
        return "missing" if self.parties[party].kind == "network" else "bad"

    def _was_active(self, k: int, party: int) -> bool:
        return bool(self.buckets.events[:k, party].any())

    def _plot(self, k: int, party: int, signs: Signs) -> str:
        parts = self.buckets.parts[k, party]
        most = max(int(self.buckets.parts[:, party].max()), 1)
        levels = len(signs.bars) - 1
        return "".join(signs.bars[-(-int(count) * levels // most)] for count in parts)

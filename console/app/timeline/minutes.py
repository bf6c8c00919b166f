"""One bucket of time as a row: what each party did in it, and how it went."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from rich.cells import cell_len

from console.app.signs import Signs
from console.app.timeline.columns import Columns
from console.app.timeline.pieces import Row, filled
from console.timeline.buckets import Answers, Buckets
from console.timeline.parties import Party
from console.trust.unobserved import NOTHING, Unobserved
from decoders.durations import in_words

EVENT_WORDS = {"board": "prints", "device": "events", "bus": "events", "network": "messages"}
PLOT = 8  # cells of the small plot


class MinuteRows:
    """Everything the rows of one bucket width are made of.

    Args:
        buckets: the counts.
        answers: requests and replies in the same buckets.
        parties: of the run.
        unseen: of parties the spans in which nothing of them was observed.
    """

    def __init__(
        self,
        buckets: Buckets,
        answers: Answers,
        parties: tuple[Party, ...],
        unseen: Mapping[int, Unobserved],
    ) -> None:
        self.buckets, self.answers, self.parties = buckets, answers, parties
        self._unseen = unseen
        happened = buckets.events > 0
        never = len(buckets)
        self._first = np.where(happened.any(axis=0), happened.argmax(axis=0), never)
        self._most = np.maximum(buckets.parts.max(axis=(0, 2)), 1)

    def cells(self, k: int, columns: Columns, signs: Signs) -> Row:
        """The cells of bucket k behind the gutter."""
        row: Row = []
        for column in columns.every:
            row.append((signs.lifeline, "line"))
            row += self._cell(k, column.party, column.width - 1, signs)
        return row

    def _cell(self, k: int, party: int, room: int, signs: Signs) -> Row:
        """A sign, the counts and, where there is room, the bucket's own small plot."""
        forms, style = self._words(k, party)
        words = next((form for form in forms if cell_len(form) <= room - 3), forms[-1])
        sign = {"bad": signs.bad, "odd": signs.odd, "unseen": signs.unseen}.get(style, " ")
        plot_fits = cell_len(words) + 1 + PLOT + 1 <= room - 3
        shows_plot = plot_fits and bool(self.buckets.events[k, party])
        text = filled(words, room - 3 - (PLOT + 1 if shows_plot else 0), signs.ellipsis)
        row: Row = [(f"{sign} ", style), (text, style)]
        if shows_plot:
            row += [(self._plot(k, party, signs), f"party-{party % 8 + 1}"), (" ", "text")]
        return [*row, (" ", "text")]

    def _words(self, k: int, party: int) -> tuple[list[str], str]:
        """What a cell says, in ever fewer words, and its style."""
        if not self.buckets.events[k, party] and not self.answers.asked[k, party]:
            words, style = self._nothing(k, party)
            return [words], style
        counts = (self.buckets.bad, self.buckets.odd, self.buckets.unseen)
        bad, odd, unseen = (int(each[k, party]) for each in counts)
        style = "bad" if bad else "odd" if odd else "unseen" if unseen else "text"
        if self.answers.asked[k, party]:
            return self._answered(k, party, bad), style
        is_network = self.parties[party].kind == "network"
        events = int(self.buckets.events[k, party])
        came = events - bad - unseen if is_network else events  # of a network those are absences
        bad_word = "missing" if is_network else "bad"
        found = ((bad, bad_word), (odd, "odd"), (unseen, "not observable"))
        marked = [f"{count:,} {word}" for count, word in found if count]
        short = [each.replace("not observable", "unseen") for each in marked]
        forms = [", ".join([f"{came:,} {self._noun(party, came)}", *marked])]
        forms += [", ".join([f"{came:,}", *some]) for some in (marked, short, short[:1])]
        return forms + short[:1], style

    def _answered(self, k: int, party: int, bad: int) -> list[str]:
        answered, asked = int(self.answers.answered[k, party]), int(self.answers.asked[k, party])
        wrong, words = int(self.answers.wrong[k, party]), f"{answered:,} of {asked:,}"
        marked = f", {wrong:,} wrong" if wrong else ""
        if bad and answered == asked and not wrong:
            marked = f", {bad:,} bad"
        full = f"{words} answered{marked}"
        return [full + self._pace(k, party), full, words + marked, words]

    def _nothing(self, k: int, party: int) -> tuple[str, str]:
        """What no event means: nothing yet, silence, or that nobody looked."""
        begin = self.buckets.begins_ns(k)
        if _covers(self._unseen.get(party, NOTHING), begin, begin + self.buckets.width_ns):
            return "not observed", "unseen"
        return ("silence", "quiet") if k > self._first[party] else ("", "text")

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

    def _plot(self, k: int, party: int, signs: Signs) -> str:
        parts = self.buckets.parts[k, party]
        levels = len(signs.bars) - 1
        return "".join(signs.bars[-(-int(n) * levels // int(self._most[party]))] for n in parts)


def _covers(spans: Unobserved, begin_ns: int, end_ns: int) -> bool:
    """Whether one of the spans holds all of a stretch of time."""
    k = int(np.searchsorted(spans.from_ns, begin_ns, side="right")) - 1
    return k >= 0 and int(spans.until_ns[k]) >= end_ns

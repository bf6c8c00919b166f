"""The list of anchors of one clock: what was equal, when, how far off, and why it counts or not."""

from __future__ import annotations

import numpy as np

from console.app.anchors_shown import AnchorsShown
from console.app.signs import Signs
from console.app.timeline.pieces import Row, filled, right_filled
from console.app.widgets.list_rows import ListRows
from console.timeline.alignment.anchor_words import REASON_WORDS, signed_words
from console.timeline.alignment.anchors import AnchorId, Anchors, Reason
from console.timeline.times import since_start

WIDE = 100
REASON, TIME, AWAY = 17, 16, 11
DIGITS_NS = 1_000  # times of anchors are said to the microsecond


class AnchorList(ListRows):
    """Anchors by time; of a million only those on the screen are looked at."""

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self._signs = signs
        self._start_ns = 0
        self.shown = AnchorsShown.of(Anchors.none(""), None, only_left_out=False)

    def fill(self, shown: AnchorsShown, start_ns: int) -> None:
        """Show other anchors.

        The cursor stays with its anchor; of another clock it begins with one that was rejected,
        which is what is looked for here.

        Args:
            shown: those to show.
            start_ns: when the run began.
        """
        held = self._held()
        is_other = shown.anchors.source != self.shown.anchors.source
        self.shown, self._start_ns = shown, start_ns
        self.renew(self._first_rejected() if is_other or not held else shown.place_of(*held))
        self.post_message(self.Moved(self))

    def _held(self) -> tuple[AnchorId, int] | None:
        k = self.chosen
        return None if k is None else (self.shown.identity(k), int(self.shown.t_ns[k]))

    def _first_rejected(self) -> int:
        """The first that the fit rejected, or that was left out for any reason, or of all."""
        reasons = self.shown.anchors.reason[self.shown.rows]
        for wanted in (reasons == Reason.OUTLIER, ~self.shown.kept):
            if wanted.any():
                return int(np.argmax(wanted))
        return 0

    @property
    def chosen(self) -> int | None:
        """The anchor under the cursor, as `shown` counts; None without any."""
        return self.cursor if self.cursor < len(self.shown) else None

    def row_count(self) -> int:
        """How many anchors are shown."""
        return len(self.shown)

    def _names(self, width: int) -> tuple[int, int]:
        """Cells for the value and for what it was equal to."""
        left = width - 3 - REASON - TIME - AWAY - 2 - (TIME + 2 if width >= WIDE else 0)
        return max(4, left * 2 // 5), max(4, left - left * 2 // 5)

    def head(self, width: int) -> Row:
        """The names of the columns."""
        own, other = self._names(width)
        text = f"   {'':{REASON}}{'at':{TIME}}"
        text += f"{'by its clock':{TIME + 2}}" if width >= WIDE else ""
        return [(f"{text}{'away':>{AWAY}}  {'value':{own}}{'equal to':{other}}", "head")]

    def pieces(self, row: int, width: int) -> Row:
        """What stands on a row."""
        shown, more = self.shown, self._signs.ellipsis
        reason = shown.reason(row)
        t_ns, away = int(shown.t_ns[row]), int(shown.residual_ns[row])
        at = since_start(t_ns - self._start_ns, DIGITS_NS)
        shared = shown.anchors.shared[int(shown.anchors.value[shown.rows[row]])]
        own, other = self._names(width)
        sign, style = self._sign(reason)
        quiet = "text" if reason <= Reason.ACCEPTED else "quiet"
        pieces: Row = [
            (f" {sign} ", style),
            (filled(REASON_WORDS[reason], REASON, more), style),
            (filled(at, TIME, more), "text"),
        ]
        if width >= WIDE:
            own_at = since_start(t_ns - away - self._start_ns, DIGITS_NS)
            pieces.append((filled(own_at, TIME + 2, more), "quiet"))
        equal = f"{self._signs.clean(shared.other_name)} of {self._signs.clean(shared.other)}"
        pieces += [
            (right_filled(signed_words(away), AWAY, more), quiet),
            (f"  {filled(self._signs.clean(shared.name), own, more)}", quiet),
            (filled(equal, other, more), quiet),
        ]
        return pieces

    def _sign(self, reason: Reason) -> tuple[str, str]:
        if reason == Reason.ACCEPTED:
            return self._signs.mark, "good"
        if reason == Reason.KEPT:
            return self._signs.node, "good"
        return (self._signs.lost, "bad" if reason >= Reason.REJECTED else "warning")

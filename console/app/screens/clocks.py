"""The clocks screen: how each source came onto the axis, what that rests on, and deciding on it."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Footer, Static

from console.app.anchors_shown import AnchorsShown, other_offset
from console.app.run_view import RunView
from console.app.screens.run_screen import Decided, GoTo, RunScreen
from console.app.state.kept_decisions import decisions_of
from console.app.widgets.anchor_list import AnchorList
from console.app.widgets.clock_list import ClockList, PieceRow
from console.app.widgets.head import Head
from console.app.widgets.list_rows import ListRows
from console.app.widgets.residuals import Plotted, Residuals
from console.timeline.alignment.anchor_words import (
    REASON_MEANS,
    change_words,
    side_words,
    signed_words,
)
from console.timeline.alignment.anchors import Anchors, Reason
from console.timeline.alignment.decisions import Decisions
from console.timeline.clock_words import METHOD_WORDS, offset_words
from console.timeline.times import since_start
from console.watch.findings import counted
from decoders.durations import in_words

Span = tuple[str, str]  # text, its look


class ClocksScreen(RunScreen):
    """Clocks, their anchors, and decisions about both."""

    DEFAULT_CSS = """
    ClocksScreen ClockList { height: auto; max-height: 30%; }
    ClocksScreen AnchorList { height: 30%; min-height: 4; }
    ClocksScreen Residuals { height: 1fr; }
    ClocksScreen #clocks-told, ClocksScreen #clocks-anchor { height: auto; padding: 0 1;
        background: $surface; max-height: 3; }
    ClocksScreen #clocks-none { height: 1fr; padding: 1 2; display: none; }
    ClocksScreen.-none #clocks-none { display: block; }
    ClocksScreen.-none ClockList, ClocksScreen.-none Residuals, ClocksScreen.-none AnchorList,
    ClocksScreen.-none #clocks-told, ClocksScreen.-none #clocks-anchor { display: none; }
    ClocksScreen.-without-anchors Residuals, ClocksScreen.-without-anchors AnchorList,
    ClocksScreen.-without-anchors #clocks-anchor { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("r", "decide", "Reject, accept", id="clocks.decide"),
        Binding("o", "other_offset", "Other offset", id="clocks.other_offset"),
        Binding("z", "undo", "Undo", id="clocks.undo"),
        Binding("x", "only_left_out", "Rejected", id="clocks.left_out"),
        Binding("tab", "app.focus_next", "Other list", id="clocks.other_list"),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.only_left_out = False
        self._about: tuple[str, int] | None = None  # source and piece whose anchors show
        self._before: dict[str, list[PieceRow]] | None = None  # until what was decided shows
        self._changed = ""

    def compose(self) -> ComposeResult:
        """The clocks, what is known of the chosen one, its residuals, its anchors."""
        yield Head(signs=self.signs)
        yield Static("Nothing was read: there is no clock.", id="clocks-none", markup=False)
        yield ClockList(self.signs, id="clocks")
        yield Static(id="clocks-told", markup=False)
        yield Residuals(self.signs, ascii_only=self.host.ascii_only)
        yield AnchorList(self.signs, id="anchors")
        yield Static(id="clocks-anchor", markup=False)
        yield Footer()

    def show(self, view: RunView) -> None:
        """List the clocks of a view; after a decision tell what it changed."""
        self.query_one(Head).view = view
        clocks = self.query_one(ClockList)
        if self._before is not None:
            self._changed = self._change_words(view)
            self._before = None
        self._about = None
        self.set_class(not view.evidence.clocks, "-none")
        clocks.fill(view)
        if not isinstance(self.focused, AnchorList):
            clocks.focus()

    @property
    def decisions(self) -> Decisions:
        """What was decided so far."""
        return decisions_of(self.host.kept.decisions)

    def on_list_rows_moved(self, message: ListRows.Moved) -> None:
        """Tell of another clock, or of another anchor."""
        message.stop()
        if isinstance(message.rows, ClockList):
            self._tell_clock()
        else:
            self._tell_anchor()

    def _tell_clock(self) -> None:
        row = self.query_one(ClockList).row
        if row is None or self.view is None:
            return
        if self._about != (row.source, row.index):
            if self._about is not None:
                self._changed = ""
            self._about = row.source, row.index
            self._show_anchors(row)
        self.query_one("#clocks-told", Static).update(Content.assemble(*self._clock_words(row)))
        self.refresh_bindings()

    def _show_anchors(self, row: PieceRow) -> None:
        """Plot and list the anchors of a piece."""
        assert self.view is not None
        every = self.view.evidence.anchors.get(row.source) or Anchors.none(row.source)
        piece = row.index if row.of > 1 else None
        shown = all_of_it = AnchorsShown.of(every, piece, only_left_out=False)
        if self.only_left_out:
            shown = AnchorsShown.of(every, piece, only_left_out=True)
        self.set_class(not len(every), "-without-anchors")
        self.query_one(Residuals).show(Plotted(all_of_it, row.piece, self.view.start_ns))
        self.query_one(AnchorList).fill(shown, self.view.start_ns)

    def _clock_words(self, row: PieceRow) -> list[Span]:
        assert self.view is not None
        piece, start_ns = row.piece, self.view.start_ns
        span = (
            f"{since_start(piece.from_ns - start_ns, 10**6)} to "
            f"{since_start(piece.until_ns - start_ns, 10**6)}"
        )
        how = METHOD_WORDS[piece.method]
        parts: list[Span] = [
            (f"{self.signs.clean(row.source)}  ", "bold"),
            (f"{how}, {span}", ""),
        ]
        if not piece.is_aligned:
            parts.append(("  its times cannot be set beside those of others", "$sign-warning"))
        if piece.band_ns:
            offset = offset_words(piece.offset_ns, piece.band_ns)
            least, most = in_words(piece.least_band_ns), in_words(piece.band_ns)
            known = most if least == most else f"{least}, at its ends {most}"
            parts.append((f"  offset {offset} known within {known}", "$quiet"))
        if by_chance := self._by_chance(row):
            parts.append((f"  {by_chance:,} more were equal by chance", "$quiet"))
        if piece.rivals_ns:
            rivals = self.query_one(ClockList).rivals(piece)
            parts.append((f"\n{self.signs.odd} fits nearly as well: {rivals}", "$sign-warning"))
        hand = self.decisions.of(row.source)
        count = len(hand.rejected) + len(hand.accepted) + len(hand.placed)
        if count:
            parts.append((f"  {counted(count, 'decision')} by hand", "$accent"))
        if self._before is not None:
            parts.append(("\nsettling anew..", "$accent"))
        elif self._changed:
            parts.append((f"\n{self._changed}", "$lit bold"))
        return parts

    def _by_chance(self, row: PieceRow) -> int:
        """How many pairs of the piece are no anchors, though their values are equal."""
        assert self.view is not None
        anchors = self.view.evidence.anchors.get(row.source)
        if anchors is None:
            return 0
        return int(((anchors.reason == Reason.ASTRAY) & (anchors.piece == row.index)).sum())

    def _tell_anchor(self) -> None:
        anchors = self.query_one(AnchorList)
        chosen: tuple[int, int] | None = None
        parts: list[Span] = []
        if anchors.chosen is not None:
            shown, k = anchors.shown, anchors.chosen
            shared = shown.anchors.shared[int(shown.anchors.value[shown.rows[k]])]
            side = side_words(
                int(shown.anchors.side[shown.rows[k]]), self.signs.clean(shared.other)
            )
            reason = shown.reason(k)
            chosen = int(shown.t_ns[k]), int(shown.residual_ns[k])
            away = signed_words(chosen[1])
            told = f"{self.signs.clean(shared.name)} {side}, {away} away: {REASON_MEANS[reason]}"
            parts = [(f"{k + 1:,} of {len(shown):,}  ", "$quiet"), (told, "")]
        elif self.only_left_out:
            parts = [("none was rejected", "$quiet")]
        self.query_one(Residuals).choose(chosen)
        self.query_one("#clocks-anchor", Static).update(Content.assemble(*parts))
        self.refresh_bindings()

    def on_residuals_picked(self, message: Residuals.Picked) -> None:
        """The anchor nearest to where it was clicked."""
        message.stop()
        anchors = self.query_one(AnchorList)
        anchors.cursor = anchors.shown.nearest(message.t_ns)
        anchors.focus()

    def on_list_rows_chosen(self, message: ListRows.Chosen) -> None:
        """Go to where a clock begins, or to the event an anchor was equal to."""
        message.stop()
        if isinstance(message.rows, AnchorList):
            k = message.rows.chosen
            if k is not None:
                self.post_message(GoTo(int(message.rows.shown.t_ns[k])))
        elif (row := self.query_one(ClockList).row) is not None:
            self.post_message(GoTo(row.piece.from_ns))

    # --- deciding

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys that would do nothing now do not show."""
        if not self.is_mounted or action not in ("decide", "other_offset", "undo", "only_left_out"):
            return super().check_action(action, parameters)
        row = self.query_one(ClockList).row
        if row is None:
            return False
        if action == "decide":
            return self.query_one(AnchorList).chosen is not None
        if action == "other_offset":
            return bool(row.piece.rivals_ns)
        if action == "undo":
            return not self.decisions.of(row.source).is_empty
        assert self.view is not None
        return len(self.view.evidence.anchors.get(row.source) or ()) > 0

    def action_decide(self) -> None:
        """Leave the anchor out, accept it, or take back what was decided about it."""
        anchors = self.query_one(AnchorList)
        if anchors.chosen is not None:
            self._decide(anchors.shown.decided(anchors.chosen, self.decisions))

    def action_other_offset(self) -> None:
        """Take another of the offsets that fit."""
        row = self.query_one(ClockList).row
        rival = None if row is None else other_offset(row.piece)
        if row is not None and rival is not None:
            self._decide(self.decisions.choosing(row.piece, rival))

    def action_undo(self) -> None:
        """Leave all of this clock to the fit again."""
        row = self.query_one(ClockList).row
        if row is not None:
            others = {s: d for s, d in self.decisions.sources.items() if s != row.source}
            self._decide(Decisions(others))

    def action_only_left_out(self) -> None:
        """Show the anchors that were left out alone, or all again."""
        row = self.query_one(ClockList).row
        if row is not None:
            self.only_left_out = not self.only_left_out
            self._show_anchors(row)

    def _decide(self, decisions: Decisions) -> None:
        if not self.host.can_settle:
            self.notify("Not everything is read yet: decide when it is.", markup=False)
            return
        rows = self.query_one(ClockList).rows
        self._before = {}
        for row in rows:
            self._before.setdefault(row.source, []).append(row)
        self.post_message(Decided(decisions))
        self._tell_clock()

    def _change_words(self, view: RunView) -> str:
        """What changed of each clock, in one line."""
        parts = []
        for source, rows in (self._before or {}).items():
            clock = view.evidence.clocks.get(source)
            for row in rows:
                if clock is not None and row.index < len(clock.pieces):
                    told = change_words(row.piece, clock.pieces[row.index])
                    if told:
                        parts.append(f"{self.signs.clean(source)}: {told}")
        return "; ".join(parts) or "settled anew: nothing changed"

"""The list of clocks: a row for each source and piece, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

from console.app.run_view import RunView
from console.app.signs import Signs
from console.app.timeline.pieces import Row, filled, right_filled
from console.app.widgets.list_rows import ListRows, party_style
from console.timeline.clock_words import METHOD_WORDS, offset_words
from console.timeline.clocks import ClockPiece
from decoders.durations import in_words

WIDE = 120  # cells from which all columns fit
METHOD = 24


@dataclass(frozen=True, slots=True)
class PieceRow:
    """One piece of one source's clock."""

    source: str
    index: int  # of the piece within its source
    of: int  # how many pieces the source has
    piece: ClockPiece


class ClockList(ListRows):
    """Sources and the pieces of their clocks."""

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.rows: list[PieceRow] = []
        self._signs = signs
        self._view: RunView | None = None

    def fill(self, view: RunView) -> None:
        """Show the clocks of a view; the cursor stays with its piece where that is still there."""
        held = self.row
        self._view = view
        clocks = view.evidence.clocks
        self.rows = [
            PieceRow(source, k, len(clock.pieces), piece)
            for source, clock in clocks.items()
            for k, piece in enumerate(clock.pieces)
        ]
        self.renew(self._first(held))
        self.post_message(self.Moved(self))

    def _first(self, held: PieceRow | None) -> int:
        """Where the cursor stands: with its piece, or on the first clock that was fitted."""
        if held is not None:
            same = [k for k, row in enumerate(self.rows) if row.source == held.source]
            return same[min(held.index, len(same) - 1)] if same else 0
        fitted = (k for k, row in enumerate(self.rows) if row.piece.anchors)
        return next(fitted, 0)

    @property
    def row(self) -> PieceRow | None:
        """The row under the cursor."""
        return self.rows[self.cursor] if self.cursor < len(self.rows) else None

    def row_count(self) -> int:
        """How many pieces there are in all."""
        return len(self.rows)

    def _source_width(self) -> int:
        longest = max((len(row.source) for row in self.rows[:200]), default=6)
        pieces = max((len(f"{row.of}") for row in self.rows[:200] if row.of > 1), default=0)
        return min(22, max(10, longest + (2 * pieces + 2 if pieces else 0)))

    def head(self, width: int) -> Row:
        """The names of the columns."""
        text = f"   {'source':{self._source_width()}} {'clock':9}"
        if width >= WIDE:
            text += f"{'how':{METHOD}}{'offset':>26}{'drift':>14}"
        text += f"{'band':>10}{'anchors':>11}{'rejected':>10}"
        return [(f"{text}  {'or else' if width >= WIDE else 'drift'}", "head")]

    def pieces(self, row: int, width: int) -> Row:
        """What stands on a row."""
        found = self.rows[row]
        piece, more = found.piece, self._signs.ellipsis
        assert self._view is not None
        party = self._view.parties.of_finding(found.source)
        number = f" {found.index + 1}/{found.of}" if found.of > 1 else ""
        name = (
            filled(self._signs.clean(found.source), self._source_width() - len(number), more)
            + number
        )
        sign, style = self._sign(piece)
        pieces: Row = [
            (f" {sign} ", style),
            (f"{name} ", party_style(party) if found.index == 0 else "quiet"),
            (f"{piece.clock:9}", "text"),
        ]
        tied = piece.is_aligned
        if width >= WIDE:
            is_fixed = piece.method in ("axis", "none")
            offset = "" if is_fixed else offset_words(piece.offset_ns, piece.band_ns)
            how = METHOD_WORDS[piece.method]
            pieces.append((filled(how, METHOD, more), "text" if tied else "warning"))
            pieces.append((right_filled(offset, 26, more), "text"))
            drift = f"{piece.drift_ppm:+.2f} ppm" if piece.drift_ppm else ""
            pieces.append((right_filled(drift, 14, more), "text"))
        band = "" if not piece.band_ns else f"{self._signs.plus_minus}{in_words(piece.band_ns)}"
        if piece.method == "axis":
            band = "the axis"
        pieces.append((right_filled(band if tied else "none", 10, more), "text"))
        pieces.append((f"{piece.anchors:>11,}" if piece.anchors else " " * 11, "text"))
        pieces.append((f"{piece.rejected:>10,}" if piece.rejected else " " * 10, "quiet"))
        if width >= WIDE:
            pieces.append((f"  {self.rivals(piece)}", "warning"))
        elif piece.drift_ppm:
            pieces.append((f"  {piece.drift_ppm:+.1f} ppm", "quiet"))
        return pieces

    def _sign(self, piece: ClockPiece) -> tuple[str, str]:
        if not piece.is_aligned:
            return self._signs.unseen, "bad"
        return (self._signs.odd, "warning") if piece.ambiguous else (self._signs.node, "good")

    def rivals(self, piece: ClockPiece, most: int = 3) -> str:
        """The other offsets that fit nearly as well, by how far they are from the one in use."""
        told = []
        for rival in piece.rivals_ns[:most]:
            away = rival - piece.offset_ns
            told.append(f"{'-' if away < 0 else '+'}{in_words(abs(away))}")
        rest = f" and {len(piece.rivals_ns) - most} more" if len(piece.rivals_ns) > most else ""
        return ", ".join(told) + rest

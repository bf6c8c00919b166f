"""The trust screen: what each source can and cannot prove, and over which span."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Footer, Static

from console.app.run_view import RunView
from console.app.screens.run_screen import GoTo, RunScreen
from console.app.trust_rows import SheetRow, TrustLine
from console.app.widgets.head import Head
from console.app.widgets.trust_list import TrustList
from console.trust.trust_words import follows_words, proves_words, span_words, value_words
from decoders.durations import in_words

SEVERITY_COLOURS = {"gap": "$sign-bad bold", "doubtful": "$sign-warning bold", "note": "bold"}
MOST_WORDS = 4_000
Span = tuple[str, str]  # text, its look


class TrustScreen(RunScreen):
    """Sources and their trust sheets; Enter leads to where a span begins."""

    DEFAULT_CSS = """
    TrustScreen #trust-words { height: auto; min-height: 5; max-height: 40%; padding: 0 1;
        border-top: solid $panel; background: $surface; }
    TrustScreen.-ascii #trust-words { border-top: ascii $panel; }
    TrustScreen #trust-none { height: 1fr; padding: 1 2; display: none; }
    TrustScreen.-none #trust-none { display: block; }
    TrustScreen.-none TrustList, TrustScreen.-none #trust-words { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("right_square_bracket", "next(1)", "Next doubt", id="trust.next"),
        Binding("left_square_bracket", "next(-1)", "Doubt before", id="trust.before"),
    ]

    def compose(self) -> ComposeResult:
        """The list, and what the chosen line means."""
        self.set_class(self.signs.is_ascii, "-ascii")
        yield Head(signs=self.signs)
        yield Static("Nothing was read: there is no source.", id="trust-none", markup=False)
        yield TrustList(self.signs, id="trust")
        yield Static(id="trust-words", markup=False)
        yield Footer()

    def show(self, view: RunView) -> None:
        """List the sources of a view."""
        self.query_one(Head).view = view
        self.set_class(not view.evidence.sources, "-none")
        self.query_one(TrustList).fill(view)
        self.query_one(TrustList).focus()

    def on_list_rows_moved(self, message: TrustList.Moved) -> None:
        """Say what the line under the cursor means."""
        message.stop()
        line = self.query_one(TrustList).line
        if line is not None and self.view is not None:
            parts = self._about_source(line) if line.row is None else self._about_row(line.row)
            self.query_one("#trust-words", Static).update(Content.assemble(*parts))

    def _about_source(self, line: TrustLine) -> list[Span]:
        proves, never = proves_words(line.source.kind)
        return [
            (f"{self.signs.clean(line.source.name)}\n", "bold"),
            ("can prove     ", "$sign-good"), (f"{proves}\n", ""),
            ("never proves  ", "$sign-warning"), (never, ""),
        ]  # fmt: skip

    def _about_row(self, row: SheetRow) -> list[Span]:
        assert self.view is not None
        span = span_words(row.from_ns, row.until_ns, self.view.start_ns)
        value = value_words(row.value, row.limit, row.unit)
        if row.from_ns is not None and row.until_ns is not None and row.until_ns > row.from_ns:
            length = in_words(row.until_ns - row.from_ns)
            span += f", {length}" * (length != value)
        known = "; ".join(part for part in (row.severity, span, value) if part)
        return [
            (
                f"{row.kind}: {self.signs.clean(row.what[:MOST_WORDS])}\n",
                SEVERITY_COLOURS[row.severity],
            ),
            (f"{self.signs.clean(known)}\n", "$quiet"),
            (follows_words(row.kind), ""),
        ]

    def on_list_rows_chosen(self, message: TrustList.Chosen) -> None:
        """Go to where the span begins."""
        message.stop()
        line = self.query_one(TrustList).line
        if line is not None and line.place_ns is not None:
            self.post_message(GoTo(line.place_ns))

    def action_next(self, by: int) -> None:
        """To the next row that is more than a note, or the last one."""
        found = self.query_one(TrustList)
        at = found.cursor + by
        while 0 <= at < len(found.lines):
            row = found.lines[at].row
            if row is not None and row.severity != "note":
                found.cursor = at
                return
            at += by

"""The list of what each source can and cannot prove, with a bar of its coverage."""

from __future__ import annotations

from rich.cells import cell_len

from console.app.coverage import DOUBTFUL, GAP, OBSERVED, OUTSIDE, bin_of, coverage
from console.app.run_view import RunView
from console.app.signs import Signs
from console.app.timeline.pieces import Row, filled
from console.app.trust_rows import SheetRow, TrustLine, rows_by_source, trust_lines
from console.app.widgets.list_rows import ListRows, party_style
from console.pipeline.evidence import SourceReport
from console.pipeline.source_words import coarse_ns, source_span, unit_of
from console.timeline.clock_words import clock_words
from console.timeline.times import since_start
from console.trust.sheet import Severity
from console.trust.trust_words import span_words, value_words
from decoders.durations import UNITS_NS

SEVERITY_STYLES: dict[Severity, str] = {"gap": "bad", "doubtful": "warning", "note": "quiet"}
WIDE = 110  # cells from which spans have an end and values a column
SPAN, KIND, VALUE = 23, 15, 22
MARGIN = 1  # beside the bars


def trust_sign(severity: Severity, signs: Signs) -> str:
    """The sign of a severity of the trust sheet."""
    return {"gap": signs.unseen, "doubtful": signs.odd, "note": signs.dot}[severity]


class TrustList(ListRows):
    """Sources and the rows of their trust sheets."""

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.lines: list[TrustLine] = []
        self._signs = signs
        self._view: RunView | None = None
        self._sheet: dict[str, list[SheetRow]] = {}
        self._bars: dict[tuple[str, int], str] = {}

    def fill(self, view: RunView) -> None:
        """Show the sources of a view."""
        self._view, self._bars = view, {}
        self._sheet = rows_by_source(view)
        self.lines = list(trust_lines(view))
        self.renew()
        self.post_message(self.Moved(self))

    @property
    def line(self) -> TrustLine | None:
        """The line under the cursor."""
        return self.lines[self.cursor] if self.cursor < len(self.lines) else None

    def row_count(self) -> int:
        """How many lines there are."""
        return len(self.lines)

    def is_stop(self, row: int) -> bool:
        """Sources, and rows of the sheet."""
        return self.lines[row].is_stop

    def watch_cursor(self, old: int, new: int) -> None:
        """The bar of a source shows which span is meant."""
        super().watch_cursor(old, new)
        self.refresh()

    def head(self, width: int) -> Row:
        """What the signs of the bars mean."""
        s = self._signs
        return [
            (" over the run  ", "head"),
            (f"{s.observed * 2} observed  ", "good"),
            (f"{s.odd * 2} in doubt  ", "warning"),
            (f"{s.unseen * 2} not observed", "bad"),
        ]

    def pieces(self, row: int, width: int) -> Row:
        """What stands on a line."""
        line = self.lines[row]
        if line.kind == "space":
            return []
        if line.kind == "source":
            return self._source(line.source, width)
        if line.kind == "bar":
            return self._bar(line.source, width)
        if line.kind == "remark":
            text = filled(self._signs.clean(line.text), max(0, width - 4), self._signs.ellipsis)
            return [(f"    {text}", "quiet")]
        assert line.row is not None
        return self._row(line.row, width)

    def _source(self, source: SourceReport, width: int) -> Row:
        assert self._view is not None
        evidence = self._view.evidence
        name = filled(
            self._signs.clean(source.name), min(24, max(12, width // 6)), self._signs.ellipsis
        )
        coarse = coarse_ns(evidence.end_ns - evidence.start_ns)
        span = source_span(source, evidence.start_ns, coarse) or "holds nothing"
        clock = evidence.clocks.get(source.name)
        party = self._view.parties.of_finding(source.name)
        told = f"{source.kind:9} {source.events:>9,} {unit_of(source):9} {span}  "
        room = max(0, width - 1 - cell_len(name) - 2 - len(told))
        words = filled(clock_words(clock), room, self._signs.ellipsis)
        return [
            (f" {name}  ", "lit" if party is None else party_style(party)),
            (told, "text"),
            (words, "quiet"),
        ]

    def _bar(self, source: SourceReport, width: int) -> Row:
        """The coverage as runs of one sign, the span of the chosen row lit."""
        assert self._view is not None
        bins = max(0, width - 2 * MARGIN)
        run = self._view.start_ns, max(self._view.end_ns, self._view.start_ns + 1)
        ends = source.first_ns, source.last_ns
        covered = None if ends[0] is None or ends[1] is None else (ends[0], ends[1])
        clock = self._view.evidence.clocks.get(source.name)
        if clock is not None and not clock.has_place and covered is not None:
            run = covered  # of its own clock, and so a bar of its own
        spans = [(r.from_ns, r.until_ns, r.severity) for r in self._sheet.get(source.name, ())]
        found = coverage(covered, spans, run, bins)
        lit = self._lit(source, run, bins)
        row: Row = [(" " * MARGIN, "text")]
        at = 0
        while at < bins:  # runs of equal bins: a few dozen at most
            end = at + 1
            while end < bins and found[end] == found[at] and (end in lit) == (at in lit):
                end += 1
            sign, style = self._bins[int(found[at])]
            row.append((sign * (end - at), "lit" if at in lit else style))
            at = end
        return row

    @property
    def _bins(self) -> dict[int, tuple[str, str]]:
        return {
            OUTSIDE: (" ", "text"),
            OBSERVED: (self._signs.observed, "good"),
            DOUBTFUL: (self._signs.odd, "warning"),
            GAP: (self._signs.unseen, "bad"),
        }

    def _lit(self, source: SourceReport, run: tuple[int, int], bins: int) -> range:
        """The bins of the span that is chosen; none where another source is."""
        line = self.line
        if line is None or line.row is None or line.source is not source or not bins:
            return range(0)
        begin, end = line.row.from_ns, line.row.until_ns
        first = run[0] if begin is None else begin
        last = run[1] if end is None else end
        return range(bin_of(first, run, bins), bin_of(last, run, bins) + 1)

    def _row(self, row: SheetRow, width: int) -> Row:
        assert self._view is not None
        start_ns, more = self._view.start_ns, self._signs.ellipsis
        # A short run has nothing but microseconds.
        digits = None if self._view.end_ns - start_ns < UNITS_NS["s"] else UNITS_NS["ms"]
        style = SEVERITY_STYLES[row.severity]
        is_wide = width >= WIDE
        if is_wide:
            span = span_words(row.from_ns, row.until_ns, start_ns, digits).removeprefix("at ")
        else:
            span = "" if row.from_ns is None else since_start(row.from_ns - start_ns, digits)
        span_width, value_width = (SPAN, VALUE) if is_wide else (12, 0)
        value = self._signs.clean(value_words(row.value, row.limit, row.unit)) if is_wide else ""
        room = max(0, width - 15 - span_width - 1 - KIND - 1 - value_width)
        return [
            (f"  {trust_sign(row.severity, self._signs)} {row.severity:10} ", style),
            (filled(span, span_width, more) + " ", "text"),
            (filled(row.kind, KIND, more) + " ", "quiet" if row.severity == "note" else "text"),
            (
                filled(self._signs.clean(row.what), room, more),
                style if style == "quiet" else "text",
            ),
            (filled(f"  {value}", value_width, more), "quiet"),
        ]

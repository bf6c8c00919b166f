"""The list of findings: how grave, whose, which rule, how often, when, and what."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from console.app.acknowledged import note_of
from console.app.finding_groups import FindingRow, GroupKey, Place, Sort, finding_rows
from console.app.run_view import RunView
from console.app.signs import Signs
from console.app.state.kept import Kept
from console.app.timeline.pieces import Row, filled, right_filled
from console.app.widgets.list_rows import ListRows, party_style
from console.timeline.times import since_start
from console.watch.evidence_words import band_of
from console.watch.findings import Finding, Severity
from decoders.durations import UNITS_NS

SEVERITY_STYLES: dict[Severity, str] = {"fault": "bad", "warning": "warning", "note": "quiet"}
WIDE = 100  # cells from which the rule and the last time have a column
WIDEST_PARTY = 16
RULE = 16
COUNT = 7


@dataclass(frozen=True, slots=True)
class _Widths:
    party: int
    rule: int
    first: int
    last: int
    summary: int


def severity_sign(severity: Severity, signs: Signs) -> str:
    """The sign of a severity."""
    return {"fault": signs.bad, "warning": signs.odd, "note": signs.dot}[severity]


class FindingList(ListRows):
    """Findings grouped by party and rule. Tells where its cursor stands and what was chosen."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "choose", "Go there", id="findings.open"),
        Binding("left", "step(-1)", "Earlier", id="findings.earlier", show=False),
        Binding("right", "step(1)", "Later", id="findings.later"),
        Binding("space", "unfold", "Unfold", id="findings.unfold"),
    ]

    class Stepped(Message):
        """Another moment of the finding under the cursor is meant."""

    def __init__(self, signs: Signs, *, id: str | None = None) -> None:  # noqa: A002
        super().__init__(id=id)
        self.rows: list[FindingRow] = []
        self.step = 0  # which place of the row under the cursor is meant
        self._signs = signs
        self._view: RunView | None = None
        self._kept = Kept()
        self._shown: tuple[Sequence[Finding], Sort] = (), "gravity"
        self._opened: set[GroupKey] = set()
        self._columns: tuple[int, _Widths] | None = None  # of which width, and of these rows

    def fill(self, view: RunView, kept: Kept, findings: Sequence[Finding], sort: Sort) -> None:
        """Show these findings of a view; the cursor stays with its finding where that is there."""
        at = self.row
        held = None if at is None else at.findings[0]
        self._view, self._kept, self._shown = view, kept, (findings, sort)
        self._rebuild(held)

    def _rebuild(self, held: Finding | None) -> None:
        findings, sort = self._shown
        self._columns = None
        self.rows = finding_rows(findings, self._party_name, sort, self._opened)
        cursor = next((k for k, r in enumerate(self.rows) if held in r.findings), self.cursor)
        if held is None or self.row is None or held not in self.row.findings:
            self.step = 0
        self.renew(cursor)
        self.post_message(self.Moved(self))

    @property
    def row(self) -> FindingRow | None:
        """The row under the cursor."""
        return self.rows[self.cursor] if self.cursor < len(self.rows) else None

    @property
    def places(self) -> list[Place]:
        """Where the row under the cursor leads."""
        return [] if self.row is None else self.row.places()

    @property
    def place(self) -> Place | None:
        """The one that is meant."""
        places = self.places
        return places[min(self.step, len(places) - 1)] if places else None

    def row_count(self) -> int:
        """How many rows there are."""
        return len(self.rows)

    def watch_cursor(self, old: int, new: int) -> None:
        """Another row begins with its first moment."""
        self.step = 0
        super().watch_cursor(old, new)

    def action_step(self, by: int) -> None:
        """The moment before or after, of the finding under the cursor."""
        step = max(0, min(self.step + by, len(self.places) - 1))
        if step != self.step:
            self.step = step
            self.post_message(self.Stepped())

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys that would do nothing on this row do not show."""
        if action == "step":
            return len(self.places) > 1
        if action == "unfold":
            row = self.row
            return row is not None and (row.is_group or row.key in self._opened)
        return super().check_action(action, parameters)

    def action_unfold(self) -> None:
        """Show the findings of a group one by one, or as one row again."""
        if self.row is not None:
            self._opened ^= {self.row.key}
            self._rebuild(self.row.findings[0])

    def time_words(self, t_ns: int, finding: Finding) -> str:
        """When, since the start of the run; a clock on no axis is told by the sign before it."""
        assert self._view is not None
        evidence = self._view.evidence
        short = evidence.end_ns - evidence.start_ns < UNITS_NS["s"]
        least = UNITS_NS["us" if short else "ms"]
        told = since_start(t_ns - evidence.start_ns, max(band_of(finding) or 0, least))
        clock = evidence.clocks.get(finding.source)
        return told if clock is None or clock.has_place else f"{self._signs.unseen}{told}"

    def _party_name(self, finding: Finding) -> str:
        assert self._view is not None
        party = self._view.parties.of_finding(finding.party)
        return finding.party if party is None else self._view.parties.every[party].name

    def _widths(self, width: int) -> _Widths:
        if self._columns is None or self._columns[0] != width:
            self._columns = width, self._widths_for(width)
        return self._columns[1]

    def _widths_for(self, width: int) -> _Widths:
        longest = max((len(r.key.party) for r in self.rows[:200]), default=0)
        party = max(6, min(longest, WIDEST_PARTY if width >= WIDE else 10))
        is_long = bool(self.rows) and max(r.last_ns for r in self.rows[:200]) >= UNITS_NS["h"]
        time = 12 if is_long else 10
        rule, last = (RULE, time + 2) if width >= WIDE else (0, 0)
        left = width - 12 - party - 2 - (rule + 2 if rule else 0) - COUNT - 2 - time - 2 - last
        return _Widths(party, rule, time, last, max(0, left))

    def head(self, width: int) -> Row:
        """The names of the columns."""
        w = self._widths(width)
        text = f" {'':10} {'party':{w.party}}  "
        text += f"{'rule':{w.rule}}  " if w.rule else ""
        text += f"{'count':>{COUNT}}  {'first':{w.first}}  "
        text += f"{'last':{w.last}}" if w.last else ""
        return [(f"{text}what", "head")]

    def pieces(self, row: int, width: int) -> Row:
        """What stands on a row."""
        found = self.rows[row]
        w, more = self._widths(width), self._signs.ellipsis
        severity, key, first = found.key.severity, found.key, found.findings[0]
        acknowledged = all(note_of(self._kept, f) is not None for f in found.findings)
        quiet = "quiet" if acknowledged else ""
        style = quiet or SEVERITY_STYLES[severity]
        sign = self._signs.done if acknowledged else severity_sign(severity, self._signs)
        assert self._view is not None
        party = party_style(self._view.parties.of_finding(first.party))
        named = filled(self._signs.clean(key.party), w.party, more)
        repeated = "" if found.is_first else "quiet"
        pieces: Row = [
            (f" {sign} {severity:8}", style),
            (f" {named}  ", quiet or repeated or party),
        ]
        if w.rule:
            rule = filled(self._signs.clean(key.rule), w.rule, more)
            pieces.append((f"{rule}  ", quiet or repeated or "text"))
        times = right_filled(f"{found.count:,}", COUNT, more)
        pieces.append((f"{times}  ", quiet or "text"))
        at = self.time_words(found.first_ns, first)
        pieces.append((f"{filled(at, w.first, more)}  ", quiet or "text"))
        if w.last:
            last = self.time_words(found.last_ns, first) if found.last_ns > found.first_ns else ""
            pieces.append((filled(last, w.last - 2, more) + "  ", "quiet"))
        pieces.append((filled(self._summary(found), w.summary, more), quiet or "text"))
        return pieces

    def _summary(self, found: FindingRow) -> str:
        summary = self._signs.clean(found.findings[0].summary)
        if not found.is_group:
            # Whose it is stands in a column of its own.
            return summary.removeprefix(f"{self._signs.clean(found.key.party)}: ")
        fold = self._signs.unfolded if found.is_open else self._signs.folded
        return f"{fold} {len(found.findings):,} findings: {summary}"

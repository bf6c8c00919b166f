"""The numbers of a run as rows: whose they are, then each with its unit and how many values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from rich.cells import cell_len
from textual.binding import Binding, BindingType

from console.app.signs import Signs
from console.app.timeline.pieces import Row, filled, right_filled
from console.app.widgets.list_rows import ListRows, party_style
from console.printable import printable
from console.timeline.numbers.number_series import NumericField

COUNT = 6  # cells
_KINDS = {"exchanges": "answer to", "packets": "packet", "pulses": "pulses"}  # else told by itself


@dataclass(frozen=True, slots=True)
class NumberRow:
    """Whose numbers follow, or one of them."""

    party: str
    table: str
    subject: str
    field: NumericField | None  # None on the row that says whose they are


def number_rows(fields: Sequence[NumericField], query: str) -> list[NumberRow]:
    """Rows for the fields in which every word of a query stands, grouped by whose they are.

    Parties come in the order in which they are first met; of each subject what changes comes first.
    """
    words = query.casefold().split()
    groups: dict[tuple[str, str, str], list[NumericField]] = {}
    for field in fields:
        text = f"{field.party} {field.subject} {field.name} {field.path} {field.unit} {field.table}"
        if all(word in text.casefold() for word in words):
            groups.setdefault((field.party, field.table, field.subject), []).append(field)
    parties = list(dict.fromkeys(party for party, _, _ in groups))
    rows: list[NumberRow] = []
    for (party, table, subject), members in sorted(
        groups.items(), key=lambda g: parties.index(g[0][0])
    ):
        rows.append(NumberRow(party, table, subject, None))
        members = sorted(members, key=lambda field: not field.varies)
        rows += [NumberRow(party, table, subject, field) for field in members]
    return rows


class NumberRows(ListRows):
    """The numbers there are; those that are chosen carry the number of their curve."""

    DEFAULT_CSS = "NumberRows { height: 1fr; }"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space,enter", "choose", "Show or hide", id="numbers.choose"),
    ]

    def __init__(self, signs: Signs, *, ascii_only: bool = False) -> None:
        super().__init__()
        self.rows: list[NumberRow] = []
        self._chosen: tuple[NumericField, ...] = ()
        self._signs = signs
        self._ascii_only = ascii_only

    def fill(self, rows: list[NumberRow], chosen: tuple[NumericField, ...]) -> None:
        """Show other rows; the cursor stays with its field where that is still there."""
        held = self.field.key if self.field is not None else None
        self.rows, self._chosen = rows, chosen
        at = (k for k, row in enumerate(rows) if row.field is not None and row.field.key == held)
        self.renew(next(at, 0))

    @property
    def field(self) -> NumericField | None:
        """The field under the cursor."""
        return self.rows[self.cursor].field if self.cursor < len(self.rows) else None

    def row_count(self) -> int:
        """How many rows there are."""
        return len(self.rows)

    def is_stop(self, row: int) -> bool:
        """The cursor stands on numbers alone."""
        return 0 <= row < len(self.rows) and self.rows[row].field is not None

    def head(self, width: int) -> Row:
        """The names of the columns."""
        width = self.scrollable_content_region.width
        return [(f" number{'rows':>{max(0, width - 8)}} ", "head")]

    def pieces(self, row: int, width: int) -> Row:
        """What stands on a row."""
        width = self.scrollable_content_region.width  # beside the scroll bar
        found, more = self.rows[row], self._signs.ellipsis
        if found.field is None:
            party = self._clean(found.party)
            about = self._clean(f"{_KINDS.get(found.table, '')} {found.subject}".strip())
            about = filled(about, max(0, width - cell_len(party) - 3), more)
            return [(f" {party} ", "lit"), (about, "quiet")]
        field = found.field
        number = next((k for k, f in enumerate(self._chosen, 1) if f.key == field.key), None)
        sign = str(number) if number else self._signs.dot
        style = party_style(number - 1) if number else "text" if field.varies else "quiet"
        unit = self._clean(field.unit)
        name = filled(self._clean(field.name), max(0, width - COUNT - cell_len(unit) - 7), more)
        count = right_filled(f"{field.rows:,}", COUNT, more)
        return [(f"  {sign} {name} ", style), (f"{unit} ", "quiet"), (count, "quiet")]

    def _clean(self, text: str) -> str:
        return printable(text, ascii_only=self._ascii_only)

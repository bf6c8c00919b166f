"""What is known of each source, as rows of a list: the source, its coverage, what is in doubt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from console.app.run_view import RunView
from console.pipeline.evidence import SourceReport
from console.trust.sheet import Severity

Kind = Literal["source", "bar", "remark", "row", "space"]


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row of the trust sheet."""

    from_ns: int | None  # common axis; None: not known
    until_ns: int | None
    kind: str
    severity: Severity
    what: str  # not cleaned
    value: float | None
    limit: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class TrustLine:
    """One line of the list; of a source, and of one row of its sheet where it is one."""

    kind: Kind
    source: SourceReport
    text: str = ""  # of a remark, not cleaned
    row: SheetRow | None = None

    @property
    def is_stop(self) -> bool:
        """Whether it leads anywhere."""
        return self.kind in ("source", "row")

    @property
    def place_ns(self) -> int | None:
        """Where it leads: the begin of its span; None where that is not known."""
        if self.row is not None and self.row.from_ns is not None:
            return self.row.from_ns
        return self.source.first_ns


def rows_by_source(view: RunView) -> dict[str, list[SheetRow]]:
    """The trust sheet of a run, by source."""
    found: dict[str, list[SheetRow]] = {}
    for values in view.evidence.tables["trust"].iter_rows(named=True):
        found.setdefault(values.pop("source"), []).append(SheetRow(**values))
    return found


def trust_lines(view: RunView) -> Iterator[TrustLine]:
    """The lines of a run: of each source what it is, its coverage, remarks, and its sheet."""
    rows = rows_by_source(view)
    for k, source in enumerate(view.evidence.sources):
        if k:
            yield TrustLine("space", source)
        yield TrustLine("source", source)
        yield TrustLine("bar", source)
        for remark in remarks(source):
            yield TrustLine("remark", source, remark)
        for row in rows.get(source.name, ()):
            yield TrustLine("row", source, row=row)


def remarks(source: SourceReport) -> Iterator[str]:
    """What else is known of a source: its files, its buses, what was assumed, where it went bad."""
    yield f"from {', '.join(source.files)}"
    for bus in source.buses:
        yield f"bus {bus.name}: SCL {bus.scl}, SDA {bus.sda}, {bus.why}"
    for assumed in source.assumed:
        yield f"assumed {assumed}"
    if source.stopped is not None:
        yield f"stopped at {str(source.stopped).splitlines()[0]}"

"""The trust sheet as lines."""

from __future__ import annotations

from dataclasses import replace

from console.app.trust_rows import TrustLine, remarks, rows_by_source, trust_lines
from decoders.errors import DiagnosticError, Place
from tests.console.app.screens.showing import demo_view, empty_view


def test_each_source_is_followed_by_its_coverage_its_remarks_and_its_rows() -> None:
    lines = list(trust_lines(demo_view()))
    kinds = [line.kind for line in lines if line.source.name == "broker"]
    assert kinds == ["space", "source", "bar", "remark", *["row"] * 5]


def test_every_row_of_the_sheet_is_there() -> None:
    view = demo_view()
    rows = [line.row for line in trust_lines(view) if line.row is not None]
    assert len(rows) == view.evidence.tables["trust"].height
    assert [row for own in rows_by_source(view).values() for row in own] == rows


def test_a_row_leads_to_where_its_span_begins_and_else_to_its_source() -> None:
    lines = [line for line in trust_lines(demo_view()) if line.source.name == "broker"]
    lost = next(line for line in lines if line.row is not None and line.row.kind == "lost")
    assert lost.row is not None
    nowhere = TrustLine("row", lost.source, row=replace(lost.row, from_ns=None))
    assert lost.place_ns == lost.row.from_ns
    assert nowhere.place_ns == lost.source.first_ns


def test_what_was_read_assumed_and_cut_short_is_remarked() -> None:
    (wire, _, _) = demo_view().evidence.sources
    bad = replace(wire, stopped=DiagnosticError("two times run back", place=Place("w.csv", line=9)))
    got = list(remarks(bad))
    assert got[0].startswith("from ")
    assert got[1] == "bus i2c-1: SCL scl, SDA sda, as told"
    assert got[-1] == "stopped at w.csv:9: two times run back"


def test_an_empty_run_has_no_lines() -> None:
    assert list(trust_lines(empty_view())) == []

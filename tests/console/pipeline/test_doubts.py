"""Where the evidence cannot be relied on is said, and nothing where it can."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from console.pipeline.doubts import doubts
from console.pipeline.evidence import Evidence, SourceReport
from console.pipeline.tables import empty_tables
from console.timeline.clocks import ClockMap, ClockPiece
from decoders.errors import CaptureError, Place

PIECE = ClockPiece("wire", "capture", 0, 0, 100, 0, 0.0, 0, 0, 0, "axis", False)
SOURCE = SourceReport("wire", "capture", ["wire.csv"], 10, 0, 100, [], None, [])


def evidence(
    source: SourceReport = SOURCE,
    piece: ClockPiece = PIECE,
    states: Sequence[tuple[int, int, str]] = (),
    damaged: Sequence[tuple[int, bool]] = (),
) -> Evidence:
    tables = empty_tables()
    lines = pl.DataFrame(
        {
            "start_ns": [a for a, _, _ in states],
            "end_ns": [b for _, b, _ in states],
            "source": ["wire"] * len(states),
            "bus": ["i2c-1"] * len(states),
            "state": [s for _, _, s in states],
        },
        schema_overrides={"state": pl.String, "bus": pl.String, "source": pl.String},
    )
    prints = pl.DataFrame(
        {
            "t_ns": [t for t, _ in damaged],
            "source": ["log"] * len(damaged),
            "damaged": [bad for _, bad in damaged],
        },
        schema_overrides={"t_ns": pl.Int64, "source": pl.String, "damaged": pl.Boolean},
    )
    tables |= {"line_states": lines, "prints": prints}
    return Evidence("run", [source], {"wire": ClockMap((piece,))}, tables, [], 0, 100, False)


def test_intact_evidence_gives_no_doubt() -> None:
    assert doubts(evidence(states=[(0, 5, "idle")], damaged=[(1, False)])) == []


def test_a_span_that_was_not_observed_is_told_with_its_ends() -> None:
    found = doubts(evidence(states=[(10, 20, "not-observed"), (30, 40, "idle")]))
    assert [(d.source, d.from_ns, d.until_ns) for d in found] == [("wire", 10, 20)]


def test_damaged_lines_are_counted_from_first_to_last() -> None:
    found = doubts(evidence(damaged=[(3, True), (5, False), (9, True)]))
    assert [(d.source, d.from_ns, d.until_ns, d.what) for d in found] == [
        ("log", 3, 9, "2 lines with damaged bytes")
    ]


def test_a_source_that_stopped_or_stands_on_no_axis_is_doubted() -> None:
    stopped = replace(SOURCE, stopped=CaptureError("bad row", place=Place("wire.csv", 7)))
    found = doubts(evidence(stopped, replace(PIECE, method="none", band_ns=None)))
    assert [d.what for d in found] == [
        "not aligned: its times stand on no common axis",
        "not read to its end: wire.csv:7: bad row",
    ]


def test_an_ambiguous_alignment_is_doubted_over_its_span() -> None:
    found = doubts(evidence(piece=replace(PIECE, ambiguous=True)))
    assert [(d.from_ns, d.until_ns) for d in found] == [(0, 100)]

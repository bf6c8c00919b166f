"""The list of what sources can prove."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.app.signs import ASCII, UNICODE, Signs
from console.app.widgets.trust_list import TrustList, trust_sign
from console.timeline.clocks import ClockMap
from console.trust.sheet import SEVERITIES, TrustRow, trust_frame
from tests.console.app.screens.showing import demo_view, played, showing

S = 10**9


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
def test_severities_differ_in_shape(signs: Signs) -> None:
    assert len({trust_sign(severity, signs) for severity in SEVERITIES}) == len(SEVERITIES)


def text(found: TrustList, row: int) -> str:
    return "".join(words for words, _ in found.pieces(row, 102))


@played
async def test_a_gap_is_drawn_where_it_is_and_lit_when_it_is_chosen() -> None:
    view = demo_view()
    half = view.end_ns // 2
    rows = [TrustRow("wire", half, None, "stopped", "gap", "bad from here on")]
    tables = {**view.evidence.tables, "trust": trust_frame(rows)}
    evidence = replace(view.evidence, tables=tables, sources=view.evidence.sources[:1])
    async with showing("trust", replace(view, evidence=evidence)) as (app, pilot):
        found = app.screen.query_one(TrustList)
        assert text(found, 1) == " " + "━" * 50 + "?" * 50
        await pilot.press("end")
        assert [style for _, style in found.pieces(1, 102)] == ["text", "good", "lit"]


@played
async def test_a_source_on_no_axis_has_a_bar_of_its_own_time() -> None:
    view = demo_view()
    source = replace(view.evidence.sources[2], first_ns=5 * S, last_ns=9 * S)
    (piece,) = view.evidence.clocks["broker"].pieces
    off = {"broker": ClockMap((replace(piece, method="none", band_ns=None),))}
    rows = [TrustRow("broker", None, None, "not-aligned", "doubtful", "not aligned")]
    tables = {**view.evidence.tables, "trust": trust_frame(rows)}
    evidence = replace(view.evidence, tables=tables, sources=[source], clocks=off)
    async with showing("trust", replace(view, evidence=evidence)) as (app, _pilot):
        assert text(app.screen.query_one(TrustList), 1) == " " + "▲" * 100


@played
async def test_a_source_that_held_nothing_says_so() -> None:
    view = demo_view()
    nothing = replace(view.evidence.sources[2], events=0, first_ns=None, last_ns=None)
    evidence = replace(view.evidence, sources=[nothing])
    async with showing("trust", replace(view, evidence=evidence)) as (app, pilot):
        found = app.screen.query_one(TrustList)
        assert "holds nothing" in text(found, 0)
        await pilot.press("enter")  # it leads nowhere
        assert app.current_mode == "trust"


@pytest.mark.parametrize("width", [0, 1, 20, 40])
@played
async def test_no_width_is_too_narrow(width: int) -> None:
    async with showing("trust", demo_view()) as (app, _pilot):
        found = app.screen.query_one(TrustList)
        assert [len(found.pieces(row, width)) >= 0 for row in range(len(found.lines))]

"""The list of findings."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.app.signs import ASCII, UNICODE, Signs
from console.app.widgets.finding_list import FindingList, severity_sign
from console.timeline.clocks import ClockMap
from console.watch.findings import SEVERITIES, Finding
from tests.console.app.screens.showing import demo_view, played, screen_lines, showing

S = 10**9


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
def test_severities_differ_in_shape(signs: Signs) -> None:
    assert len({severity_sign(severity, signs) for severity in SEVERITIES}) == len(SEVERITIES)


@played
async def test_a_time_of_a_clock_on_no_axis_is_told_by_a_sign() -> None:
    view = demo_view()
    (piece,) = view.evidence.clocks["broker"].pieces
    off = ClockMap((replace(piece, method="none", band_ns=None),))
    found = Finding(61 * S, "sequence", "warning", "broker", "broker", "two lost", {})
    evidence = replace(
        view.evidence, clocks={**view.evidence.clocks, "broker": off}, findings=[found]
    )
    async with showing("findings", replace(view, evidence=evidence)) as (app, _pilot):
        assert "?01:01.000" in screen_lines(app)[4]
        assert any("on no common axis" in line for line in screen_lines(app))


@played
async def test_times_are_said_to_the_digits_the_clock_allows() -> None:
    found = Finding(61 * S, "sequence", "warning", "broker", "broker", "two", {"band_ns": 2 * S})
    view = replace(demo_view(), evidence=replace(demo_view().evidence, findings=[found]))
    async with showing("findings", view) as (app, _pilot):
        assert "  01:01  " in screen_lines(app)[4]


@played
async def test_whose_it_is_is_not_said_twice() -> None:
    async with showing("findings", demo_view()) as (app, _pilot):
        found = app.screen.query_one(FindingList)
        k = next(k for k, row in enumerate(found.rows) if row.key.rule == "check-code")
        text = "".join(words for words, _ in found.pieces(k, 200))
        assert text.count("camera") == 1

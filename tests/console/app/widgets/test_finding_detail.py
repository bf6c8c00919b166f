"""What a finding rests on, in words."""

from __future__ import annotations

from typing import Any

from console.watch.findings import TIMES_KEPT, Finding
from tests.console.app.screens.showing import played, screen_text, showing, with_findings

S = 10**9


def finding(**evidence: Any) -> Finding:
    return Finding(S, "limits", "warning", "camera", "wire", "camera too far", evidence)


@played
async def test_values_stand_side_by_side_where_there_is_room() -> None:
    view = with_findings([finding(lowest=1.5, highest=9.25)])
    async with showing("findings", view, (140, 45)) as (app, _pilot):
        assert "lowest   1.5" in screen_text(app)
        assert any("lowest" in line and "highest" in line for line in screen_text(app).split("\n"))
    async with showing("findings", view, (60, 24)) as (app, _pilot):
        lines = screen_text(app).split("\n")
        both = [line for line in lines if "lowest" in line and "highest" in line]
        assert both == []


@played
async def test_a_value_that_is_too_long_takes_a_line_of_its_own() -> None:
    view = with_findings([finding(where="x" * 70, lowest=1.5)])
    async with showing("findings", view) as (app, _pilot):
        (line,) = [line for line in screen_text(app).split("\n") if "x" * 70 in line]
        assert "lowest" not in line


@played
async def test_of_more_times_than_are_kept_it_is_said_how_many_there_are() -> None:
    times = [k * S for k in range(TIMES_KEPT)]
    view = with_findings([finding(count=52_113, times_ns=times, first_ns=0, last_ns=times[-1])])
    async with showing("findings", view) as (app, pilot):
        await pilot.press(*["right"] * 30)
        await pilot.pause()
        assert "31 of 1,000 kept of 52,113" in screen_text(app)


@played
async def test_the_events_at_the_place_are_shown_with_the_one_that_is_meant() -> None:
    view = with_findings([finding(times_ns=[60 * S, 90 * S], count=2)])
    async with showing("findings", view) as (app, pilot):
        await pilot.press("right")
        await pilot.pause()
        (line,) = [line for line in screen_text(app).split("\n") if line.startswith(" ▌")]
        assert line.split()[1].startswith("01:29") or line.split()[1].startswith("01:30")

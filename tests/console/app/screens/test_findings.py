"""The findings screen, played on."""

from __future__ import annotations

import time

import pytest
from textual.widgets import Input

from console.app.acknowledged import key_of
from console.app.screens.timeline import TimelineScreen
from console.app.widgets.finding_list import FindingList
from console.watch.findings import Finding, Severity
from tests.console.app.screens.showing import (
    HOSTILE,
    demo_view,
    empty_view,
    played,
    screen_lines,
    screen_text,
    showing,
    with_findings,
)

S = 10**9
TOLD, FIRST = 2, 4  # lines of the screen: what there is, the first finding
SIZES = [(80, 24), (140, 45), (250, 70)]


def finding(k: int, party: str = "camera", severity: Severity = "warning") -> Finding:
    return Finding(k * S, "limits", severity, party, "wire", f"too high {k}", {"band_ns": 0})


@pytest.mark.parametrize("size", SIZES)
@played
async def test_the_gravest_finding_stands_first_and_is_told_in_full(size: tuple[int, int]) -> None:
    async with showing("findings", demo_view(), size) as (app, _pilot):
        lines = screen_lines(app)
        assert lines[TOLD] == " 8 findings  by gravity"
        assert lines[FIRST].split()[:3] == ["✖", "fault", "camera"]
        text = screen_text(app)
        assert "camera stopped answering at 34:10.853 after 2,047 answered polls (34.1 min)" in text
        assert "first bad" in text


@played
async def test_enter_goes_to_the_event_a_finding_begins_with() -> None:
    view = demo_view()
    async with showing("findings", view) as (app, pilot):
        went: list[tuple[int, int | None]] = []
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(TimelineScreen, "go_to", lambda _self, t, event: went.append((t, event)))
            await pilot.press("enter")
            await pilot.pause()
        gravest = view.gravest()
        assert gravest is not None
        assert went == [(gravest.t_ns, view.event_of(gravest))]
        assert isinstance(app.screen, TimelineScreen)


@played
async def test_b_comes_back_to_the_finding_one_left() -> None:
    async with showing("findings", demo_view()) as (app, pilot):
        await pilot.press("down", "down", "enter")
        await pilot.pause()
        assert app.current_mode == "timeline"
        await pilot.press("b")
        await pilot.pause()
        assert app.current_mode == "findings"
        assert app.screen.query_one(FindingList).cursor == 2


@played
async def test_right_steps_to_a_later_moment_and_enter_goes_to_that() -> None:
    view = demo_view()
    async with showing("findings", view) as (app, pilot):
        went: list[int] = []
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(TimelineScreen, "go_to", lambda _self, t, _event: went.append(t))
            await pilot.press("down", "down", "down", "right", "right", "left")
            await pilot.pause()
            assert "2 of 4" in screen_text(app)
            await pilot.press("enter")
            await pilot.pause()
        (check,) = [f for f in view.evidence.findings if f.rule == "check-code"]
        assert went == [check.evidence["times_ns"][1]]


@played
async def test_a_click_chooses_and_a_double_click_goes_there() -> None:
    async with showing("findings", demo_view()) as (app, pilot):
        await pilot.click(FindingList, offset=(30, 3))
        assert app.screen.query_one(FindingList).cursor == 2
        await pilot.click(FindingList, offset=(30, 3), times=2)
        await pilot.pause()
        assert isinstance(app.screen, TimelineScreen)


@played
async def test_an_acknowledged_finding_is_kept_with_its_note_and_hidden() -> None:
    view = demo_view()
    async with showing("findings", view) as (app, pilot):
        saved: list[dict[str, str]] = []
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(app, "keep", lambda: saved.append(dict(app.kept.acknowledged)))
            await pilot.press("a", *"seen", "enter")
            await pilot.pause()
        gravest = view.gravest()
        assert gravest is not None
        assert saved == [{key_of(gravest): "seen"}]
        assert "1 acknowledged, hidden" in screen_lines(app)[TOLD]
        assert not any("stopped answering" in line for line in screen_lines(app)[FIRST:])


@played
async def test_acknowledged_findings_are_shown_on_demand_with_their_note() -> None:
    async with showing("findings", demo_view()) as (app, pilot):
        await pilot.press("a", *"seen", "enter", "v", "home")
        await pilot.pause()
        assert screen_lines(app)[FIRST].split()[:3] == ["✓", "fault", "camera"]
        assert "✓ acknowledged: seen" in screen_text(app)


@played
async def test_an_acknowledgement_is_withdrawn() -> None:
    async with showing("findings", demo_view()) as (app, pilot):
        await pilot.press("a", "enter", "v", "home", "u")
        await pilot.pause()
        assert app.kept.acknowledged == {}
        assert screen_lines(app)[FIRST].split()[0] == "✖"


@played
async def test_escape_leaves_the_note_and_all_as_it_was() -> None:
    async with showing("findings", demo_view()) as (app, pilot):
        await pilot.press("a", *"no", "escape")
        await pilot.pause()
        assert app.kept.acknowledged == {}
        assert isinstance(app.focused, FindingList)


@played
async def test_the_note_line_takes_letters_that_are_keys_elsewhere() -> None:
    async with showing("findings", demo_view()) as (app, pilot):
        await pilot.press("a", *"qb1s")
        assert app.screen.query_one(Input).value == "qb1s"


@played
async def test_findings_are_sorted_by_the_next_thing_and_the_cursor_stays_with_its_own() -> None:
    async with showing("findings", demo_view()) as (app, pilot):
        found = app.screen.query_one(FindingList)
        held = found.row
        assert held is not None
        await pilot.press("s")
        await pilot.pause()
        assert "by time" in screen_lines(app)[TOLD]
        assert found.rows == sorted(found.rows, key=lambda row: row.first_ns)
        assert found.row is not None
        assert found.row.findings == held.findings


@played
async def test_ten_thousand_findings_are_a_row_that_opens_and_stays_quick() -> None:
    many = [finding(k) for k in range(10_000)]
    async with showing("findings", with_findings(many)) as (app, pilot):
        found = app.screen.query_one(FindingList)
        assert "▸ 10,000 findings: too high 0" in screen_lines(app)[FIRST]
        await pilot.press("space", "end")
        await pilot.pause()
        assert (len(found.rows), found.cursor) == (10_001, 10_000)
        assert "too high 9999" in screen_text(app)
        begun = time.perf_counter()
        for row in range(5_000, 5_050):
            found.pieces(row, 140)
        assert time.perf_counter() - begun < 1  # a screen of rows; hundreds of times what it takes
        await pilot.press("home", "space")
        await pilot.pause()
        assert len(found.rows) == 1


@played
async def test_a_group_steps_through_its_findings() -> None:
    many = [finding(k) for k in range(10)]
    async with showing("findings", with_findings(many)) as (app, pilot):
        await pilot.press("right", "right")
        await pilot.pause()
        assert "3 of 10" in screen_text(app)
        assert " too high 2" in screen_lines(app)[FIRST + 2]


@pytest.mark.parametrize("size", SIZES)
@played
async def test_hostile_text_is_drawn_harmlessly(size: tuple[int, int]) -> None:
    evidence = {HOSTILE: HOSTILE, "device": HOSTILE * 1_000, "band_ns": 0}
    bad = Finding(S, HOSTILE, "fault", HOSTILE, HOSTILE, HOSTILE, evidence)
    async with showing("findings", with_findings([bad]), size) as (app, pilot):
        text = screen_text(app)
        assert "\x1b" not in text
        assert "\x00" not in text
        assert "\u202e" not in text
        assert "[red]␛[31mred␀<U+202E>mirror[/x] cap 瓶" in text
        await pilot.press("a", "enter")
        assert list(app.kept.acknowledged) == [key_of(bad)]


@played
async def test_a_run_without_findings_says_what_was_watched() -> None:
    async with showing("findings", with_findings([])) as (app, pilot):
        text = screen_text(app)
        assert "Nothing found." in text
        assert "controller: prints, 2,664 lines" in text
        await pilot.press("enter", "right", "a", "u", "space", "s", "v", "down", "end")
        assert "Nothing found." in screen_text(app)


@played
async def test_an_empty_run_is_shown_as_such() -> None:
    async with showing("findings", empty_view(), (80, 24)) as (app, _pilot):
        assert "Nothing was watched" in screen_text(app)


@played
async def test_all_acknowledged_says_which_key_shows_them() -> None:
    async with showing("findings", with_findings([finding(1)])) as (app, pilot):
        await pilot.press("a", "enter")
        await pilot.pause()
        assert "All of it is acknowledged; v shows it." in screen_text(app)
        await pilot.press("v")
        await pilot.pause()
        assert "too high 1" in screen_text(app)


@played
async def test_ascii_terminals_get_ascii_alone() -> None:
    bad = Finding(S, "limits", "fault", HOSTILE, "wire", HOSTILE, {"device": HOSTILE})
    async with showing("findings", with_findings([bad]), ascii_only=True) as (app, _pilot):
        own = screen_lines(app)[TOLD:-1]
        assert [line for line in own if not line.isascii()] == []

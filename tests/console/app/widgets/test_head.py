"""The head of a run: what it is, and its story."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from console.app.signs import ASCII, UNICODE, Signs
from console.app.widgets.head import Head, _about, _story
from console.watch.findings import Finding, Severity
from tests.console.app.screens.showing import played, showing
from tests.console.app.timeline.views import clock, demo_with_levels, made_view, report
from tests.console.timeline.small_runs import HOSTILE

S, MS, HOUR = 10**9, 10**6, 3600 * 10**9


def finding(
    severity: Severity = "fault", summary: str = "camera stopped", t_ns: int = 0
) -> Finding:
    rule = "stops-answering" if "stopped" in summary else "limits"
    return Finding(t_ns, rule, severity, "camera", "wire", summary, {})


def said(pieces: Sequence[tuple[str, str]]) -> str:
    return "".join(text for text, _ in pieces)


@settings(deadline=None, max_examples=60)
@given(
    name=st.one_of(st.text(max_size=60), st.sampled_from(HOSTILE)),
    severities=st.lists(st.sampled_from(["fault", "warning", "note"]), max_size=4),
    width=st.integers(80, 250),
    signs=st.sampled_from([UNICODE, ASCII]),
    length_ns=st.one_of(st.integers(0, 100), st.integers(0, 9000 * HOUR)),
)
def test_both_lines_keep_within_the_screen(
    name: str, severities: list[Severity], width: int, signs: Signs, length_ns: int
) -> None:
    text = name.encode("utf-8", "backslashreplace").decode()
    found = [finding(severity, text * 20) for severity in severities]
    view = made_view({}, name=text, findings=found, start_ns=0, end_ns=length_ns)
    about, story = said(_about(view, signs, width)), said(_story(view, signs, width))
    assert cell_len(about) == width
    assert cell_len(story) <= width
    assert (about + story).isprintable()
    assert signs is UNICODE or (about + story).isascii()


@pytest.mark.parametrize(
    ("length_ns", "words"),
    [(30, "30 ns"), (1_500 * MS, "1.5 s"), (2125 * S, "35:25.0"), (72 * HOUR, "3 d")],
)
def test_the_length_of_a_run_is_said_as_one_would(length_ns: int, words: str) -> None:
    view = made_view({}, start_ns=0, end_ns=length_ns)
    assert said(_about(view, UNICODE, 80)).split("  ")[1].strip() == words


def test_findings_are_counted_by_severity_gravest_first() -> None:
    found = [finding("warning"), finding("fault"), finding("warning"), finding("note")]
    assert said(_about(made_view({}, findings=found), UNICODE, 100)).split("  ")[-3:] == [
        "1 fault",
        "2 warnings",
        "1 note ",
    ]


def test_a_run_in_which_nothing_was_found_says_so() -> None:
    view = made_view({})
    assert said(_about(view, UNICODE, 80)).endswith("no findings ")
    assert said(_story(view, UNICODE, 80)) == " No rule found anything wrong."


def test_the_story_is_the_gravest_finding() -> None:
    found = [finding("warning", "too high"), finding("fault", "too low"), finding()]
    story = said(_story(made_view({}, findings=found), UNICODE, 80))
    assert story == f" {UNICODE.bad} camera stopped"


@pytest.mark.parametrize(
    ("bands_ns", "words"),
    [((0, 5 * MS), "order known to 5 ms"), ((0, None), "order not known for every source")],
)
def test_it_says_how_well_order_is_known(bands_ns: tuple[int | None, ...], words: str) -> None:
    clocks = {name: clock(name, band) for name, band in zip("ab", bands_ns, strict=True)}
    assert words in said(_about(made_view({}, clocks=clocks), UNICODE, 100))


def test_one_source_has_no_order_to_doubt_and_a_part_of_a_run_says_so() -> None:
    view = made_view({}, clocks={"a": clock("a")}, sources=[report("a")])
    assert "order" not in said(_about(view, UNICODE, 100))
    part = replace(view, evidence=replace(view.evidence, interrupted=True))
    assert "only what was read so far" in said(_about(part, UNICODE, 100))


@played
async def test_a_click_on_the_story_goes_to_it() -> None:
    view = demo_with_levels()
    async with showing("timeline", view, (80, 24)) as (app, pilot):
        await pilot.press("home")
        await pilot.click(Head, offset=(10, 1))
        await pilot.pause()
        finding_at = view.gravest()
        assert finding_at is not None
        assert app.screen.query_one("TimelineRows").place_ns == finding_at.t_ns  # type: ignore[attr-defined]

from __future__ import annotations

from datetime import datetime

import pytest

from console.commands.record_lines import (
    Troubles,
    at_words,
    bad_count,
    end_line,
    finding_line,
    finding_object,
    happened_line,
)
from console.pipeline.raising import Told
from console.pipeline.recording_state import RecordingState
from console.sources.records import Happened
from console.watch.findings import Finding

HOSTILE = "[red]\x1b[31m\u202e\nnext"


def told(summary: str = "camera silent for 3 s", *, is_over: bool = False) -> Told:
    finding = Finding(5_000_000, "cadence", "fault", "camera", "c", summary, {"events": 3})
    return Told(finding, 9_000_000, is_over)


def test_a_finding_is_one_line_that_says_when_and_what() -> None:
    assert finding_line(told()) == f"fault    {at_words(5_000_000)}  camera silent for 3 s"
    assert finding_line(told(is_over=True)).startswith("over     ")


def test_whose_it_is_stands_before_words_that_do_not_say_so() -> None:
    assert finding_line(told("polls: nothing came")).endswith("  camera: polls: nothing came")


def test_text_from_outside_stays_on_its_line_and_drives_no_terminal() -> None:
    found = finding_line(told(HOSTILE))
    happened = happened_line(Happened("camera\x1b", 5, "refused", HOSTILE))
    for line in (found, happened):
        assert line.isprintable()


def test_a_finding_as_json_says_whether_it_begins_or_is_over() -> None:
    expected = {
        "schema": 1, "event": "raised", "raised_ns": 9_000_000, "t_ns": 5_000_000,
        "rule": "cadence", "severity": "fault", "party": "camera", "source": "c",
        "summary": "camera silent for 3 s", "evidence": {"events": 3},
    }  # fmt: skip
    assert finding_object(told()) == expected
    assert finding_object(told(is_over=True)) == {**expected, "event": "over"}


def test_a_time_is_said_as_the_clock_on_the_wall_shows_it() -> None:
    moment = datetime(2026, 11, 28, 9, 12, 30, 45_000)
    assert at_words(round(moment.timestamp() * 1e3) * 1_000_000) == "2026-11-28 09:12:30.045"


@pytest.mark.parametrize(("fail_on", "count"), [("fault", 2), ("warning", 5), ("note", 9)])
def test_findings_at_or_above_a_severity_are_counted(fail_on: str, count: int) -> None:
    assert bad_count({"fault": 2, "warning": 3, "note": 4}, fail_on) == count


def test_why_a_source_is_not_open_is_news_once() -> None:
    troubles = Troubles()
    refused = Happened("broker", 1, "refused", "nothing listens there")
    again = [Happened("broker", k, "retry", f"in {k} s") for k in (1, 2)]
    tries = [refused, again[0], refused, again[1]]
    assert [troubles.is_news(row) for row in tries] == [True, True, False, False]
    other = Happened("broker", 9, "refused", "wrong password")
    assert troubles.is_news(other)
    assert troubles.is_news(Happened("broker", 10, "opened"))
    assert troubles.is_news(refused)


def test_a_required_source_that_was_never_open_is_told_by_the_end_alone() -> None:
    troubles, refused = Troubles(), Happened("broker", 1, "refused", "nothing listens there")
    assert not troubles.is_news(refused, {"broker"})
    assert troubles.is_news(Happened("broker", 2, "opened"), {"broker"})
    assert troubles.is_news(refused, {"broker"})


def test_the_end_says_what_came_of_it() -> None:
    state = RecordingState("soak", 0, 3_600_000_000_000, (), stored=1200, lost=3)
    assert end_line(state, {"fault": 1}) == (
        "recorded 60 min into soak: 1,200 records, 3 lost; 1 fault, 0 warnings, 0 notes"
    )

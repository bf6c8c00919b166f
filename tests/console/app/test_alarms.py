from __future__ import annotations

from dataclasses import replace

import pytest

from console.app.alarms import Alarms
from console.pipeline.recording_state import RecordingState
from console.run.rows import Raised

HOSTILE = "[red]\x1b[31m\u202e[/x]"


def raised(summary: str = "silent", severity: str = "fault") -> Raised:
    return Raised(9, 5, "cadence", severity, "camera", "controller", summary, "{}")


def state(*findings: Raised, is_over: bool = False, trouble: str = "") -> RecordingState:
    found = RecordingState("soak", 0, 1, (), findings=len(findings), newest=findings)
    return replace(found, is_over=is_over, trouble=trouble)


def test_what_was_found_before_the_first_look_is_no_news() -> None:
    alarms = Alarms()
    assert alarms.news(state(raised(), raised())) == []
    assert alarms.news(state(raised(), raised())) == []


def test_each_finding_is_told_once() -> None:
    alarms, found = Alarms(), [raised("one"), raised("two"), raised("three")]
    told = [alarms.news(state(*found[:count])) for count in (0, 1, 1, 3, 3)]
    assert [[alarm.words for alarm in each] for each in told] == [
        [], ["one"], [], ["two", "three"], [],
    ]  # fmt: skip


def test_many_at_once_are_told_as_a_number() -> None:
    alarms = Alarms()
    alarms.news(state())
    told = alarms.news(state(*(raised(f"finding {k}") for k in range(10))))
    assert [alarm.words for alarm in told] == [
        "finding 8", "finding 9", "and 8 more: 2 lists them",
    ]  # fmt: skip


def test_words_from_outside_are_cleaned() -> None:
    alarms = Alarms()
    alarms.news(state())
    (alarm,) = alarms.news(state(raised(HOSTILE)))
    assert alarm.words.isprintable()
    assert alarm.title == "fault: camera"


@pytest.mark.parametrize(
    ("severity", "shown"), [("fault", "error"), ("warning", "warning"), ("note", "information")]
)
def test_how_grave_it_is_shows(severity: str, shown: str) -> None:
    alarms = Alarms()
    alarms.news(state())
    assert alarms.news(state(raised(severity=severity)))[0].severity == shown


def test_trouble_with_the_disk_is_told_at_its_begin_and_at_its_end() -> None:
    alarms = Alarms()
    full = state(trouble="the disk is full\x1b[31m. Make room: 1 MB is free.")
    fuller = state(trouble="the disk is full\x1b[31m. Make room: 0 MB are free.")
    told = [alarms.news(each) for each in (full, fuller, state())]
    assert [[(alarm.words, alarm.severity) for alarm in each] for each in told] == [
        [("the disk is full␛[31m. Make room: 1 MB is free.", "error")],
        [],
        [("the trouble is over", "information")],
    ]  # fmt: skip


def test_a_recording_is_quit_by_asking_twice_within_some_seconds() -> None:
    now = [0.0]
    alarms = Alarms(lambda: now[0])
    assert not alarms.may_quit(state())
    now[0] = 60.0
    assert not alarms.may_quit(state())  # that was too long ago
    now[0] = 62.0
    assert alarms.may_quit(state())


def test_a_recording_that_is_over_is_quit_at_once() -> None:
    assert Alarms().may_quit(state(is_over=True))

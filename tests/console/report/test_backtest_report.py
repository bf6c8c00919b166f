"""Back-tests in words and as JSON."""

from __future__ import annotations

import json

from console.pipeline.backtest import Alarm, BackTest
from console.report.backtest_report import backtest_object, backtest_text
from console.report.export import one_line_json
from console.watch.findings import Finding

S = 1_000_000_000
HOUR_NS = 3600 * S


def run(name: str = "soak", alarms: int = 1) -> BackTest:
    found = [
        Alarm(
            Finding(HOUR_NS + k * S, "cadence", "fault", "line board", "controller", "silent", {}),
            HOUR_NS + k * S + 5 * S,
            stands=k == 0,
        )
        for k in range(alarms)
    ]
    return BackTest(name, 0, 2 * HOUR_NS, found, HOUR_NS if alarms else 2 * HOUR_NS)


def test_text_tells_how_long_it_was_watched_and_each_delay() -> None:
    assert backtest_text([run(alarms=2)]).splitlines() == [
        "back-test of 1 run: 2.0 h watched, healthy for 60 min",
        "  soak: 2.0 h, healthy to 1:00:00",
        "",
        "severity  rule     party       alarms  healthy  a day  told after  at most",
        "fault     cadence  line board       2        0   0.00         5 s      5 s",
        "",
        "soak:",
        "  fault    told at 1:00:05.000 (5 s after it began): silent",
        "  fault    told at 1:00:06.000 (5 s after it began), taken back later: silent",
    ]


def test_runs_without_an_alarm_say_so() -> None:
    text = backtest_text([run(alarms=0)])
    assert "healthy throughout" in text
    assert text.endswith("no rule told anything\n")


def test_many_alarms_are_counted_and_not_all_printed() -> None:
    assert "and 10 more: --all prints them" in backtest_text([run(alarms=50)])
    assert "more" not in backtest_text([run(alarms=50)], all_alarms=True)


def test_names_from_outside_are_cleaned() -> None:
    assert "\x1b" not in backtest_text([run("a\x1b[2Jb")])


def test_object_has_the_rates_and_every_alarm() -> None:
    found = json.loads(one_line_json(backtest_object([run(), run("other", 0)])))
    assert (found["schema"], found["watched_ns"], found["healthy_ns"]) == (
        1,
        4 * HOUR_NS,
        3 * HOUR_NS,
    )
    assert found["rules"][0]["rule"] == "cadence"
    assert found["runs"][0]["alarms"][0]["delay_ns"] == 5 * S
    assert found["runs"][1]["alarms"] == []

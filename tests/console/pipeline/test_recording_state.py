from __future__ import annotations

from pathlib import Path

from console.pipeline.recording_state import Rates, RecordingState, SourceRow, disk_free
from console.sources.records import SourceState

S = 1_000_000_000


def state(records: int, size: int = 0, name: str = "controller") -> SourceState:
    return SourceState(name, "prints", "/dev/ttyCAP0", "open", records=records, bytes=size)


def test_a_source_that_is_seen_for_the_first_time_has_no_rate_yet() -> None:
    assert Rates().row(state(70, 900), 0) == SourceRow(state(70, 900), 0.0, 0.0)


def test_rates_are_of_the_last_seconds_and_forget_what_came_before() -> None:
    rates = Rates()
    for second in range(20):
        row = rates.row(state(1000 * second, 50_000 * second), second * S)
    assert (row.records_per_s, row.bytes_per_s) == (1000.0, 50_000.0)
    for second in range(20, 40):  # nothing comes any more
        row = rates.row(state(19_000, 950_000), second * S)
    assert (row.records_per_s, row.bytes_per_s) == (0.0, 0.0)


def test_rates_do_not_depend_on_how_often_they_are_asked_for() -> None:
    often, seldom = Rates(), Rates()
    for tenth in range(101):
        found = often.row(state(5 * tenth), tenth * S // 10)
    for second in range(11):
        other = seldom.row(state(50 * second), second * S)
    assert found.records_per_s == other.records_per_s == 50.0


def test_each_source_has_rates_of_its_own() -> None:
    rates = Rates()
    for second in range(4):
        rates.row(state(10 * second, name="controller"), second * S)
        row = rates.row(state(0, name="camera"), second * S)
    assert row.records_per_s == 0.0


def test_how_much_is_free_is_told_or_not_known(tmp_path: Path) -> None:
    free = disk_free(tmp_path)
    assert free is not None
    assert free > 0
    assert disk_free(tmp_path / "nowhere") is None


def test_open_sources_are_counted() -> None:
    closed = SourceRow(SourceState("camera", "prints", "", "waiting"))
    found = RecordingState("soak", 0, 0, (SourceRow(state(1)), closed))
    assert found.open_sources == 1

from __future__ import annotations

from dataclasses import replace

from console.app.signs import ASCII, UNICODE
from console.app.widgets.recording_lines import lines_of
from console.pipeline.recording_state import RecordingState, SourceRow
from console.sources.records import SourceState

S = 1_000_000_000
GB = 1_000_000_000
CONTROLLER = SourceRow(SourceState("controller", "prints", "/dev/ttyCAP0", "open"), 50.0, 2000.0)
STATE = RecordingState("soak", 0, 7200 * S, (CONTROLLER,), stored=1234, disk_free_bytes=80 * GB)


def words(**changed: object) -> str:
    return lines_of(replace(STATE, **changed), UNICODE).plain  # type: ignore[arg-type]


def looks(text: str, **changed: object) -> str:
    """How a text is drawn."""
    content = lines_of(replace(STATE, **changed), UNICODE)  # type: ignore[arg-type]
    begin = content.plain.index(text)
    return " ".join(str(span.style) for span in content.spans if span.start <= begin < span.end)


def test_it_says_what_is_stored_watched_and_free() -> None:
    assert words().splitlines() == [
        "the run is being recorded, 120 min   1 of 1 source open   soak",
        "store    1,234 records, 50/s 2 kB/s, lag 0.0 s",
        "rules    nothing found, lag 0.0 s",
        "disk     80 GB free, for over a year of this",
    ]


def test_what_is_missing_is_told_with_a_sign() -> None:
    found = words(lost=7, unwatched=9)
    assert "✖ 7 LOST" in found
    assert "✖ 9 not watched" in found


def test_a_lag_that_grows_is_lit() -> None:
    assert "$sign-bad" in looks("3.5 s", lag_s=3.5)
    assert "$sign-bad" not in looks("1.5 s", lag_s=1.5)


def test_little_room_is_a_warning() -> None:
    assert "▲ 900 MB free" in words(disk_free_bytes=9 * GB // 10)
    assert "▲" not in words()


def test_it_is_estimated_how_long_the_room_will_do() -> None:
    assert "8 GB free, for about 46.3 d of this" in words(disk_free_bytes=8 * GB)


def test_trouble_stands_on_a_line_of_its_own_and_is_cleaned() -> None:
    assert words(trouble="the disk is full\x1b[31m").splitlines()[-1] == ("✖ the disk is full␛[31m")


def test_findings_are_counted_and_the_end_is_said() -> None:
    found = words(findings=3, faults=1, is_over=True)
    assert "3 findings, 1 fault" in found
    assert "was recorded" in found
    assert "of this" not in found


def test_it_is_ascii_where_that_is_asked_for() -> None:
    state = replace(STATE, lost=1, trouble="disk 瓶", disk_free_bytes=None)
    assert lines_of(state, ASCII).plain.isascii()

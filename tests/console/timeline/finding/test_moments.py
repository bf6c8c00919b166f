"""Moments as people write them."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.clocks import ClockMap, ClockPiece
from console.timeline.finding.moments import Around, Wall, moment, walls_of
from console.timeline.times import since_start
from decoders.errors import DescriptionError
from tests.console.timeline.small_runs import HOSTILE

S = 10**9
START, END = 5 * S, 5 * S + 2_125 * S
NOON = int(datetime(2026, 11, 25, 9, 12, 0, tzinfo=UTC).timestamp()) * S


def host(offset_ns: int, drift_ppm: float = 0.0, **more: int) -> ClockPiece:
    """A recorder's clock that knows the date; the axis' 0 is at `-offset_ns`."""
    return ClockPiece(
        source="broker",
        clock="host",
        from_ns=more.get("from_ns", START),
        until_ns=more.get("until_ns", END),
        offset_ns=offset_ns,
        drift_ppm=drift_ppm,
        band_ns=more.get("band_ns", 5_000_000),
        anchors=9,
        rejected=0,
        method="equal-values",
        ambiguous=False,
    )


MARKS = ((100 * S, "cap jammed"), (200 * S, ""), (300 * S, "Cap free"))
AROUND = Around(START, END, here_ns=1_000 * S, marks=MARKS, walls=(Wall(host(-NOON)),))
NO_WALL = Around(START, END, here_ns=1_000 * S)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("34:07.9", START + 2_047_900_000_000),
        ("0:00", START),
        (" 34:07,9 ", START + 2_047_900_000_000),
        ("0:34:07.9", START + 2_047_900_000_000),
        ("90s", START + 90 * S),
        ("2.5 min", START + 150 * S),
        ("+1.5s", 1_001_500_000_000),
        ("- 200 ms", 999_800_000_000),
        ("+1:30", 1_090 * S),
        ("-0:00.000000001", 1_000 * S - 1),
        ("0 %", START),
        ("50%", (START + END) // 2),
        ("100 %", END),
        ("mark 2", 200 * S),
        ("#1", 100 * S),
        ("mark cap free", 300 * S),
        ("mark cap", 100 * S),
        ("Mark free", 300 * S),
        ("09:12:30", 30 * S),
        ("9:12:30.5", 30_500_000_000),
        ("2026-11-25T09:13:00Z", 60 * S),
        ("2026-11-25 10:13:00.25+01:00", 60_250_000_000),
    ],
)
def test_a_moment_is_read(text: str, expected: int) -> None:
    assert moment(text, AROUND) == expected


@pytest.mark.parametrize(
    ("text", "message", "mend"),
    [
        ("", "a time is wanted", "Write 34:07.9"),
        ("soon", "'soon' is no time", "Write 34:07.9"),
        ("34", "34 of what", "34s, 34ms; or 34 %"),
        ("3 parsecs", "is no length of time", "Units: ns, us, ms"),
        ("1:02:63", "is no time", "go to 59"),
        ("99:00", "behind the end of the run", "from 00:00.000 to 35:25.000"),
        ("-30 min", "before the start of the run", "from 00:00.000"),
        ("101 %", "behind the end", "0 % to 100 %"),
        ("mark 9", "no mark '9'", "1 cap jammed, 2, 3 Cap free"),
        ("mark", "which mark", "1 cap jammed"),
        ("23:00:00", "outside the run", "from 09:12:05 to 09:47:30 UTC"),
        ("2026-11-26T09:13:00Z", "behind the end", "from 00:00.000"),
        ("2026-13-45T09:13", "is no date and time", "2026-11-25T09"),
        *((text, "", "") for text in HOSTILE),
    ],
)
def test_what_is_no_moment_is_told_with_what_is(text: str, message: str, mend: str) -> None:
    with pytest.raises(DescriptionError) as caught:
        moment(text, AROUND)
    assert message in caught.value.message
    assert mend in caught.value.mend


def test_without_a_wall_clock_no_date_is_known() -> None:
    with pytest.raises(DescriptionError, match="no source of this run knows the date"):
        moment("2026-11-25T09:13:00Z", NO_WALL)
    assert moment("0:12:30", NO_WALL) == START + 750 * S
    with pytest.raises(DescriptionError, match="there are no marks yet"):
        moment("mark 1", NO_WALL)


def test_a_time_of_day_after_midnight_is_on_the_next_day() -> None:
    before_midnight = int(datetime(2026, 11, 25, 23, 59, 0, tzinfo=UTC).timestamp()) * S
    around = Around(0, 600 * S, 0, walls=(Wall(host(-before_midnight)),))
    assert moment("00:01:00", around) == 120 * S


@given(t_ns=st.integers(0, 90_000 * S), band_ns=st.sampled_from([1, 10, 1_000, 1_000_000]))
def test_a_time_as_the_screen_shows_it_leads_back_to_it(t_ns: int, band_ns: int) -> None:
    around = Around(START, START + 100_000 * S, here_ns=START)
    shown = since_start(t_ns, band_ns)
    assert abs(moment(shown, around) - START - t_ns) <= band_ns


@given(away_ns=st.integers(0, END - START - 1))
def test_a_date_as_the_wall_clock_shows_it_leads_back_to_it(away_ns: int) -> None:
    wall = Wall(host(-NOON, drift_ppm=-9.755629784506409, until_ns=END + 30 * S))
    around = Around(START - 30 * S, END + 30 * S, START, walls=(wall,))
    shown_ns = wall.wall_ns(START + away_ns)
    second = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=shown_ns // S)
    text = f"{second:%Y-%m-%dT%H:%M:%S}.{shown_ns % S:09}Z"
    assert abs(moment(text, around) - START - away_ns) <= 1


@given(st.text(max_size=20))
def test_any_text_is_a_moment_in_the_run_or_refused(text: str) -> None:
    with contextlib.suppress(DescriptionError):
        assert START <= moment(text, AROUND) <= END


def test_walls_are_the_pieces_that_know_the_date_the_best_known_first() -> None:
    rough, fine = host(-NOON, band_ns=9_000_000), host(-NOON + 1, band_ns=10)
    ticks = host(0)
    clocks = {
        "a": ClockMap((rough,)),
        "b": ClockMap((ticks,)),
        "c": ClockMap((fine,)),
    }
    assert [wall.piece for wall in walls_of(clocks)] == [fine, rough]

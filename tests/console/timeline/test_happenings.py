"""What happened to recorded sources themselves, as events of the timeline."""

from __future__ import annotations

import pytest

from console.bench.model import Bench, CaptureSource, MessagesSource
from console.bench.tables import TABLES
from console.sources.records import Happened
from console.timeline.events import BAD, GOOD, ODD, events_of
from console.timeline.explained import explained
from console.timeline.parties import parties_of
from console.timeline.sheet.lines import Field
from console.timeline.tables.happening_tables import happenings_frame
from console.timeline.words import event_words
from tests.console.timeline.small_runs import SmallRun, run_of

S = 1_000_000_000


def happened(*whats: str) -> SmallRun:
    return run_of(
        {
            "happenings": [
                {"t_ns": k * S, "source": "broker", "what": what, "detail": "", "band_ns": 0}
                for k, what in enumerate(whats)
            ]
        }
    )


@pytest.mark.parametrize(
    ("what", "state"),
    [("opened", GOOD), ("subscribed", GOOD), ("closed", ODD), ("retry", ODD), ("break", ODD),
     ("refused", BAD), ("lost", BAD)],
)  # fmt: skip
def test_what_goes_wrong_with_a_source_is_told_by_its_state(what: str, state: int) -> None:
    assert happened(what).events.state.tolist() == [state]


def test_happenings_stand_in_the_column_of_their_source() -> None:
    tables = happened("opened").tables
    bench = Bench(sources=[MessagesSource(name="broker", party="network")])
    parties = parties_of({name: tables[name] for name in TABLES}, bench)
    events = events_of({name: tables[name] for name in TABLES}, parties)
    assert parties.every[int(events.party[0])].name == "network"


def test_source_of_which_nothing_but_that_is_known_has_a_column_too() -> None:
    tables = happened("refused").tables
    bench = Bench(sources=[CaptureSource(name="broker", folder="exports")])
    parties = parties_of({name: tables[name] for name in TABLES}, bench)
    assert [(party.name, party.kind) for party in parties.every] == [("broker", "bus")]


def test_words_say_what_happened_and_the_detail() -> None:
    row = {"what": "lost", "detail": "12 bytes"}
    assert event_words("happenings", row) == "data lost: 12 bytes"
    assert event_words("happenings", {"what": "closed", "detail": ""}) == "closed"
    assert event_words("happenings", {"what": "note", "detail": "a file came"}) == "a file came"


def test_sheet_says_for_how_long_it_was_gone() -> None:
    run = happened("opened", "closed", "retry", "opened", "closed")
    tables = {name: frame for name, frame in run.tables.items() if name != "links"}
    fields = [
        {f.name: f.value for f in explained(tables, None, run.parties, run.events, k).lines
         if isinstance(f, Field)}
        for k in (1, 4)
    ]  # fmt: skip
    assert fields[0]["opened again"] == "after 2 s"
    assert fields[1]["opened again"] == "not in this run"
    assert fields[1]["of these so far"] == "2"


def test_frame_has_the_columns_of_its_table() -> None:
    frame = happenings_frame([Happened("broker", 5, "closed", "gone")], [7])
    assert frame.rows() == [(7, "broker", "closed", "gone")]
    assert [*frame.columns, "band_ns"] == list(TABLES["happenings"])

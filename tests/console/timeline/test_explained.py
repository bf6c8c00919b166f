"""The sheet of any event of the demo run, and the moments that its story is about."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl
import pytest

from console.bench.load import BenchFile
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.timeline.events import BAD, EVENT_TABLES, GOOD, Events, events_of
from console.timeline.explained import explained
from console.timeline.parties import Parties, parties_of
from console.timeline.sheet.lines import Change, CheckCode, Field, Sheet, Told, Words

DEMO = "captures_demo/cap_line/bench.toml"
WRONG_SUM_NS = 290_920_340_250
LAST_GOOD_NS = 2_049_854_273_500
FIRST_BAD_NS = 2_050_852_932_500


@dataclass(frozen=True)
class Demo:
    tables: Mapping[str, pl.DataFrame]
    file: BenchFile
    parties: Parties
    events: Events

    def sheet(self, k: int) -> Sheet:
        return explained(self.tables, self.file, self.parties, self.events, k)

    def at(self, t_ns: int, table: str) -> Sheet:
        """The sheet of the event of a table nearest to a time."""
        return self.sheet(self.near(t_ns, lambda k: EVENT_TABLES[self.events.table[k]] == table))

    def near(self, t_ns: int, wanted: Callable[[int], bool]) -> int:
        found = [k for k in range(len(self.events)) if wanted(k)]
        return min(found, key=lambda k: abs(int(self.events.t_ns[k]) - t_ns))


@pytest.fixture(scope="module")
def demo() -> Demo:
    inputs = settled([DEMO], Overrides())
    evidence = gathered(inputs)
    inputs.close()
    parties = parties_of(evidence.tables, inputs.bench)
    events = events_of(evidence.tables, parties)
    return Demo(evidence.tables, inputs.file, parties, events)


def values(sheet: Sheet) -> dict[str, str]:
    return {line.name: line.value for line in sheet.lines if isinstance(line, Field)}


def test_the_packet_with_a_wrong_sum_shows_both_sums(demo: Demo) -> None:
    sheet = demo.at(WRONG_SUM_NS, "packets")
    (code,) = [line for line in sheet.lines if isinstance(line, CheckCode)]
    assert (sheet.title, sheet.party, sheet.state) == ("blocks from camera", "camera", BAD)
    assert (code.received, code.computed, code.over) == ("01A1", "0181", "bytes 4 to 12")
    assert [line.rule for line in sheet.lines if isinstance(line, Told)] == ["check-code"]


def test_the_last_good_reply_differs_in_nothing_but_its_counter(demo: Demo) -> None:
    sheet = demo.at(LAST_GOOD_NS, "packets")
    changes = {f.name: f.change for f in sheet.lines if isinstance(f, Field) and f.change}
    assert sheet.state == GOOD
    assert {name for name, change in changes.items() if change is not Change.SAME} == {"sequence"}
    assert changes["sequence"] is Change.STEPS


def test_the_first_refused_poll_stands_beside_the_last_good_one(demo: Demo) -> None:
    sheet = demo.at(FIRST_BAD_NS, "transactions")
    assert sheet.title == "write to camera"
    assert values(sheet)["address ack"] == "NOT acknowledged"
    assert sheet.compared == "beside the last good one, 1 s before"
    assert "stops-answering" in [line.rule for line in sheet.lines if isinstance(line, Told)]


def test_the_missing_reply_says_what_was_awaited(demo: Demo) -> None:
    sheet = demo.at(FIRST_BAD_NS, "exchanges")
    said = values(sheet)
    assert (said["awaited"], said["within"]) == ("blocks", "20 ms")


def test_a_print_lights_the_number_that_is_no_counter(demo: Demo) -> None:
    sheet = demo.at(LAST_GOOD_NS, "prints")
    text = next(line for line in sheet.lines if isinstance(line, Words))
    assert [text.text[a:b] for a, b in text.lit] == [values(sheet)["us"]]
    assert sheet.clock == "controller, firmware clock: tied by equal values"
    assert sheet.band_ns is not None
    assert 0 < sheet.band_ns < 2_000_000


def test_a_message_is_a_tree_beside_the_topics_last_one(demo: Demo) -> None:
    sheet = demo.at(LAST_GOOD_NS, "messages")
    lines = {line.name: line for line in sheet.lines if isinstance(line, Field)}
    assert sheet.title == "capline/cam/blocks"
    assert lines["n"].change is Change.STEPS
    assert lines["us"].change is Change.DIFFERS


def test_a_reading_with_a_packet_error_code_checks_it(demo: Demo) -> None:
    k = demo.near(0, lambda k: demo.parties.every[demo.events.party[k]].name == "hopper")
    found = [demo.sheet(at) for at in range(k, k + 40)]
    codes = [line for s in found for line in s.lines if isinstance(line, CheckCode)]
    pecs = [code for code in codes if code.name == "PEC"]
    assert pecs
    assert all(code.is_right for code in pecs)


def test_every_kind_of_event_of_the_demo_has_a_sheet(demo: Demo) -> None:
    sheets = [demo.sheet(k) for k in range(0, len(demo.events), 97)]
    assert all(sheet.title and sheet.party and sheet.lines for sheet in sheets)


def test_there_is_no_sheet_of_an_event_that_is_not_there(demo: Demo) -> None:
    with pytest.raises(IndexError, match="no event 99999999 among"):
        demo.sheet(99_999_999)

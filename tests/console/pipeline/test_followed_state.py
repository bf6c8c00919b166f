from __future__ import annotations

from pathlib import Path

from console.pipeline.followed_state import STALE_NS, FollowedState
from console.pipeline.recording_state import RecordingState
from console.run.rows import Named, Raised
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Chunk, Happened
from tests.console.run.making import SECOND_NS, START_NS, Hands


def begun(folder: Path, hands: Hands) -> RunWriter:
    writer = RunWriter(folder, clock=hands.clock())
    writer.add(Named("controller", "prints", "/dev/ttyCAP0"))
    writer.add(Named("broker", "messages", "localhost"))
    writer.put(Happened("controller", START_NS, "opened", "/dev/ttyCAP0"))
    writer.put(Chunk("controller", START_NS, b"poll\r\n"))
    writer.put(Happened("broker", START_NS, "refused", "nothing listens there"))
    writer.put(Happened("broker", START_NS, "retry", "in 1 s"))
    writer.flush()
    return writer


def look(folder: Path, hands: Hands) -> RecordingState:
    with StoredRun(folder) as run:
        return FollowedState(run, lambda: hands.now_ns).look()


def test_a_run_that_is_recorded_tells_how_its_sources_are(tmp_path: Path) -> None:
    hands = Hands()
    writer = begun(tmp_path, hands)
    found = look(tmp_path, hands)
    writer.close()
    controller, broker = (row.state for row in found.sources)
    assert not found.is_over
    assert (controller.state, controller.why, controller.bytes) == ("open", "", 6)
    assert (broker.state, broker.why) == ("waiting", "nothing listens there")
    assert (found.open_sources, found.stored) == (1, 4)


def test_a_recording_that_was_ended_is_over(tmp_path: Path) -> None:
    hands = Hands()
    begun(tmp_path, hands).close()
    hands.now_ns += 3600 * SECOND_NS
    found = look(tmp_path, hands)
    assert (found.is_over, found.trouble, found.lag_s) == (True, "", 0.0)
    assert found.now_ns == START_NS  # it lasted no longer
    assert {row.state.state for row in found.sources} == {"closed"}


def test_a_recorder_that_stores_nothing_any_more_is_gone(tmp_path: Path) -> None:
    hands = Hands()
    writer = begun(tmp_path, hands)
    hands.now_ns += STALE_NS + SECOND_NS
    seen = Hands(hands.now_ns)
    hands.now_ns = START_NS  # what the recorder stores says so on and on
    found = look(tmp_path, seen)
    writer.close()
    assert found.is_over
    assert "gone without having ended the run" in found.trouble


def test_findings_of_this_session_are_counted(tmp_path: Path) -> None:
    hands = Hands()
    writer = begun(tmp_path, hands)
    for severity in ("fault", "warning"):
        writer.add(Raised(START_NS, START_NS, "cadence", severity, "x", "x", "silent", "{}"))
    writer.close()
    later = Hands(START_NS + 60 * SECOND_NS)
    with RunWriter(tmp_path, append=True, clock=later.clock()) as again:
        again.add(Raised(later.now_ns, START_NS, "cadence", "fault", "x", "x", "again", "{}"))
    found = look(tmp_path, later)
    assert (found.findings, found.faults) == (1, 1)
    assert [raised.summary for raised in found.newest] == ["again"]


def test_happenings_that_come_later_change_the_state(tmp_path: Path) -> None:
    hands = Hands()
    writer = begun(tmp_path, hands)
    with StoredRun(tmp_path) as run:
        states = FollowedState(run, lambda: hands.now_ns)
        states.happened(Happened("controller", START_NS, "closed", "the device went away"))
        states.happened(Happened("broker", START_NS, "opened", "localhost"))
        found = states.look()
    writer.close()
    assert [(row.state.state, row.state.why) for row in found.sources] == [
        ("waiting", "the device went away"),
        ("open", ""),
    ]

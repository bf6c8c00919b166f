from __future__ import annotations

import tempfile
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.run.errors import RunError
from console.run.merging import ROUND_NS
from console.run.rows import Mark, Named, Raised, StoredSource
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Happened, Record
from decoders.errors import DiagnosticError
from tests.console.run.making import HOUR_NS, RECORDS, START_NS, Hands, by_time, lines

# What is put between two commits, of two sessions; after each commit an hour may go by.
SESSIONS = st.lists(
    st.lists(st.tuples(st.lists(RECORDS, max_size=12), st.booleans()), max_size=5),
    min_size=1,
    max_size=2,
)


@settings(max_examples=60, deadline=None)
@given(SESSIONS)
def test_replay_gives_exactly_what_was_put(
    sessions: list[list[tuple[list[Record], bool]]],
) -> None:
    put: list[Record] = []
    hour = START_NS
    with tempfile.TemporaryDirectory() as folder:
        for commits in sessions:
            with RunWriter(folder, append=True, durable=False) as writer:
                for records, hour_passes in commits:
                    if hour_passes:
                        hour += ROUND_NS
                        records = [*records, Chunk("hours", hour, b"")]
                    for record in records:
                        writer.put(record)
                    put += records
                    assert writer.flush()
        with StoredRun(folder, full=True) as run:
            assert run.problems == ()
            assert list(run.records()) == by_time(put)
            assert list(run.records_after()) == list(enumerate(put, 1))


def test_records_of_many_threads_are_all_there_in_the_order_of_each(tmp_path: Path) -> None:
    sources = {f"port {k}": lines(2000, f"port {k}") for k in range(8)}
    with RunWriter(tmp_path) as writer:

        def put_all(records: list[Chunk]) -> None:
            for record in records:
                writer.put(record)

        threads = [threading.Thread(target=put_all, args=(own,)) for own in sources.values()]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    with StoredRun(tmp_path) as run:
        assert {name: list(run.records(name)) for name in sources} == sources


def test_what_was_put_is_stored_within_a_quarter_second(tmp_path: Path) -> None:
    with RunWriter(tmp_path) as writer, StoredRun(tmp_path) as run:
        late = []
        for record in lines(10):
            writer.put(record)
            put_s = time.monotonic()
            while writer.queued:
                time.sleep(0.005)
            late.append(time.monotonic() - put_s)
        assert sorted(late)[5] < 0.25  # the median: a busy machine may hold up a few
        assert list(run.records()) == lines(10)


def test_silence_is_recorded_too(tmp_path: Path) -> None:
    hands = Hands()
    with RunWriter(tmp_path, clock=hands.clock()) as writer, StoredRun(tmp_path) as run:
        hands.now_ns += 7 * HOUR_NS
        writer.flush()
        assert run.span_ns() == (START_NS, START_NS + 7 * HOUR_NS)


def test_a_session_says_how_it_began_and_ended(tmp_path: Path) -> None:
    hands = Hands()
    with RunWriter(tmp_path, clock=hands.clock(), program="1.2", name="cap line") as writer:
        writer.put(Chunk("a", START_NS, b"x"))
        hands.now_ns += 5
    with (
        RunWriter(tmp_path, clock=hands.clock(), append=True) as writer,
        StoredRun(tmp_path) as run,
    ):
        first, second = run.sessions()
    assert (first.started_ns, first.ended_ns, first.first_seq) == (START_NS, START_NS + 5, 1)
    assert (first.offset_ns, first.program) == (0, "1.2")
    assert (second.started_ns, second.ended_ns, second.first_seq) == (START_NS + 5, None, 2)


def test_sources_have_their_totals(tmp_path: Path) -> None:
    with RunWriter(tmp_path) as writer:
        writer.add(Named("controller", "prints", "/dev/ttyUSB0"))
        writer.add(Named("silent", "prints", "/dev/ttyUSB1"))
        writer.put(Arrived("broker", START_NS + 9, "cap/1", b"12345"))
        writer.put(Chunk("controller", START_NS + 5, b"abc"))
        writer.put(Happened("controller", START_NS + 7, "break"))
    with StoredRun(tmp_path) as run:
        assert run.sources() == [
            StoredSource(
                "controller", "prints", "/dev/ttyUSB0", 2, 3, 0, START_NS + 5, START_NS + 7
            ),
            StoredSource("silent", "prints", "/dev/ttyUSB1", 0, 0, 0, None, None),
            StoredSource("broker", "messages", "", 1, 5, 0, START_NS + 9, START_NS + 9),
        ]


def test_findings_and_their_evidence_are_kept_as_raised(tmp_path: Path) -> None:
    one = Raised(START_NS + 9, START_NS, "stops-answering", "fault", "camera", "", "\udcff", "{}")
    two = Raised(START_NS + 9, START_NS, "stops-answering", "fault", "hopper", "", "quiet", "{}")
    marks = [
        Mark(START_NS - 5, START_NS + 5, "evidence", "", one),
        Mark(START_NS, START_NS, "user", "here"),
    ]
    with RunWriter(tmp_path) as writer:
        for finding in (one, two):
            writer.add(finding)
        for mark in marks:
            writer.add(mark)
    with StoredRun(tmp_path) as run:
        assert run.findings() == [one, two]
        assert run.marks() == marks


def test_a_run_that_is_there_is_not_begun_again(tmp_path: Path) -> None:
    RunWriter(tmp_path).close()
    with pytest.raises(RunError, match="there is a run already") as told:
        RunWriter(tmp_path)
    assert "--append" in told.value.mend


def test_a_moved_folder_is_told_and_recording_goes_on_when_it_is_back(tmp_path: Path) -> None:
    told: list[DiagnosticError | None] = []
    heard = threading.Event()

    def tell(trouble: DiagnosticError | None) -> None:
        told.append(trouble)
        heard.set()

    folder, away = tmp_path / "run", tmp_path / "away"
    with RunWriter(folder, told=tell) as writer:
        for record in lines(10)[:5]:
            writer.put(record)
        writer.flush()
        folder.rename(away)
        for record in lines(10)[5:]:
            writer.put(record)
        assert heard.wait(10.0)
        away.rename(folder)
        assert writer.flush()
    assert [trouble and trouble.message for trouble in told] == ["it is not there", None]
    with StoredRun(folder, full=True) as run:
        assert run.problems == ()
        assert list(run.records()) == lines(10)


def test_what_the_listener_gets_wrong_does_not_end_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown: list[threading.ExceptHookArgs] = []
    monkeypatch.setattr(threading, "excepthook", shown.append)

    def tell(trouble: DiagnosticError | None) -> None:
        raise RuntimeError("no screen")

    folder, away = tmp_path / "run", tmp_path / "away"
    with RunWriter(folder, told=tell) as writer:
        folder.rename(away)
        writer.put(lines(1)[0])
        until = time.monotonic() + 10.0
        while not shown and time.monotonic() < until:
            time.sleep(0.01)
        away.rename(folder)
    assert shown[0].exc_type is RuntimeError
    with StoredRun(folder) as run:
        assert list(run.records()) == lines(1)


def test_nothing_can_be_put_into_a_closed_run(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path)
    writer.close()
    writer.close()
    with pytest.raises(ValueError, match="closed"):
        writer.put(lines(1)[0])
    assert not writer.flush(0.0)


def test_its_state_says_what_waits_and_what_is_stored(tmp_path: Path) -> None:
    with RunWriter(tmp_path) as writer:
        for record in lines(100):
            writer.put(record)
        assert writer.queued + writer.stored == 100
        writer.flush()
        state = writer.state()
    assert (state.stored, state.queued, state.lost, state.lag_s, state.trouble) == (
        100, 0, 0, 0.0, None,
    )  # fmt: skip

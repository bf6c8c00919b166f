from __future__ import annotations

from pathlib import Path

import polars as pl

from console.pipeline.run_window import Part, RunTail, finding_of, part_around
from console.run.rows import Raised
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Happened, Record
from tests.console.run.making import SECOND_NS, START_NS, Hands


def line(k: int) -> Chunk:
    """One a second."""
    return Chunk("controller", START_NS + k * SECOND_NS, b"poll %d answered\r\n" % k)


def writer(folder: Path, hands: Hands) -> RunWriter:
    return RunWriter(folder, name="cap line", clock=hands.clock())


def stored(folder: Path, *records: Record) -> None:
    hands = Hands()
    with writer(folder, hands) as run:
        for record in records:
            hands.now_ns = record.t_ns
            run.put(record)


def texts(part: Part) -> list[str]:
    return part.evidence.tables["prints"]["text"].to_list()


def numbers(part: Part) -> list[int]:
    return [int(text.split()[1]) for text in texts(part)]


def test_a_small_run_is_held_whole(tmp_path: Path) -> None:
    opened = Happened("controller", START_NS, "opened", "/dev/ttyCAP0")
    arrived = Arrived("broker", START_NS + SECOND_NS, "cap/level", b'{"mm": 4}')
    stored(tmp_path, opened, arrived, *(line(k) for k in range(2, 20)))
    with StoredRun(tmp_path) as run:
        tail = RunTail(run)
        tail.take()
        part = tail.part()
    assert part.held_ns == (part.evidence.start_ns, part.evidence.end_ns)
    assert numbers(part) == list(range(2, 20))
    assert part.evidence.tables["messages"]["topic"].to_list() == ["cap/level"]
    assert part.evidence.tables["happenings"]["what"].to_list() == ["opened"]
    assert [source.name for source in part.evidence.sources] == ["controller", "broker"]


def test_a_tail_goes_on_with_what_is_stored_later(tmp_path: Path) -> None:
    hands = Hands()
    found = []
    with writer(tmp_path, hands) as written, StoredRun(tmp_path) as run:
        tail = RunTail(run)
        for k in range(3):
            hands.now_ns = line(k).t_ns
            written.put(line(k))
            written.flush()
            assert tail.take()
            found.append(numbers(tail.part()))
        assert not tail.take()
    assert found == [[0], [0, 1], [0, 1, 2]]


def test_what_a_decoder_holds_back_is_shown_once(tmp_path: Path) -> None:
    hands = Hands()
    with writer(tmp_path, hands) as written, StoredRun(tmp_path) as run:
        tail = RunTail(run)
        written.put(Chunk("controller", START_NS, b"a line\r\nno end"))
        written.flush()
        assert tail.take()
        first = texts(tail.part())
        hands.now_ns += 5 * SECOND_NS
        written.put(Chunk("controller", hands.now_ns, b"later\r\n"))
        written.flush()
        assert tail.take()
        assert first == ["a line", "no end"]
        assert texts(tail.part()) == ["a line", "no end", "later"]


def test_a_tail_keeps_the_newest_rows_and_says_from_when_on(tmp_path: Path) -> None:
    stored(tmp_path, *(line(k) for k in range(500)))
    with StoredRun(tmp_path) as run:
        tail = RunTail(run, most=100)
        tail.take()
        part = tail.part()
    assert numbers(part) == list(range(400, 500))
    assert part.held_ns[0] == int(part.evidence.tables["prints"]["t_ns"][0])
    assert part.evidence.start_ns == START_NS


def test_the_memory_of_a_tail_is_bounded_however_long_it_goes_on(tmp_path: Path) -> None:
    hands = Hands()
    with writer(tmp_path, hands) as written, StoredRun(tmp_path) as run:
        tail = RunTail(run, most=50)
        for k in range(1000):
            hands.now_ns = line(k).t_ns
            written.put(line(k))
            if k % 40 == 39:
                written.flush()
                tail.take()
                assert len(tail.part().evidence.tables["prints"]) <= 50


def test_a_part_around_a_moment_holds_what_lies_before_and_after_it(tmp_path: Path) -> None:
    stored(tmp_path, *(line(k) for k in range(2000)))
    with StoredRun(tmp_path) as run:
        part = part_around(run, START_NS + 1000 * SECOND_NS, most=200)
    found = numbers(part)
    assert found == list(range(found[0], found[-1] + 1))
    assert 880 <= found[0] <= 900
    assert 1100 <= found[-1] <= 1120
    begin, end = part.held_ns
    assert part.evidence.tables["prints"].filter(~pl.col("t_ns").is_between(begin, end)).height == 0


def test_a_moment_is_in_its_part_however_much_came_around_it(tmp_path: Path) -> None:
    dense = [
        Chunk("controller", START_NS + k * SECOND_NS // 1000, b"poll %d\r\n" % k)
        for k in range(20_000)
    ]
    stored(tmp_path, *dense)
    with StoredRun(tmp_path) as run:
        part = part_around(run, dense[15_000].t_ns, most=100)
    found = numbers(part)
    assert found[0] < 15_000 < found[-1]
    assert 150 <= len(found) <= 200


def test_a_part_at_the_begin_of_a_run_begins_with_it(tmp_path: Path) -> None:
    stored(tmp_path, *(line(k) for k in range(2000)))
    with StoredRun(tmp_path) as run:
        part = part_around(run, START_NS, most=200)
    assert numbers(part)[0] == 0
    assert part.held_ns[0] == part.evidence.start_ns


def test_the_first_line_of_a_part_is_whole(tmp_path: Path) -> None:
    halves = [
        Chunk("controller", START_NS + k * SECOND_NS // 2, b"\r\npoll " if k % 2 else b"%d ok" % k)
        for k in range(4000)
    ]
    stored(tmp_path, *halves)
    with StoredRun(tmp_path) as run:
        part = part_around(run, START_NS + 1000 * SECOND_NS, most=200)
    assert {text.split()[0] for text in texts(part)} == {"poll"}


def test_what_was_not_observed_is_a_gap_of_the_trust_sheet(tmp_path: Path) -> None:
    closed = Happened("controller", START_NS + 10 * SECOND_NS, "closed", "unplugged")
    opened = Happened("controller", START_NS + 15 * SECOND_NS, "opened", "")
    stored(tmp_path, *(line(k) for k in range(10)), closed, opened, *(map(line, range(16, 30))))
    with StoredRun(tmp_path) as run:
        tail = RunTail(run)
        tail.take()
        rows = tail.part().evidence.tables["trust"].rows(named=True)
    spans = [(row["from_ns"], row["until_ns"]) for row in rows if row["severity"] == "gap"]
    assert spans == [(closed.t_ns, opened.t_ns)]


def test_a_finding_of_a_run_is_read_back_whatever_its_evidence_says() -> None:
    raised = Raised(9, 5, "cadence", "fault", "camera", "controller", "silent", '{"events": 3}')
    odd = Raised(9, 5, "cadence", "unheard-of", "camera", "controller", "silent", "not JSON")
    assert finding_of(raised).evidence == {"events": 3}
    assert (finding_of(odd).severity, finding_of(odd).evidence) == ("note", {})

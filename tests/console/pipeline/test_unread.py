"""A run of which some sources were not read claims nothing that they could undo."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.pipeline.inputs import Overrides, settled
from console.pipeline.reading import read_all, read_source, reading_of
from console.pipeline.settling import evidence_of

MESSAGES = "".join(f'{{"t": {k}, "topic": "a", "payload": "{{\\"n\\": {k}}}"}}\n' for k in range(9))
LOG = "".join(f"[{k}000000] I poll {k}\n" for k in range(9))
BENCH = """
[[source]]
name = "board"
kind = "prints"
path = "board.log"

[[source]]
name = "broker"
kind = "messages"
path = "broker.jsonl"

[[rule]]
kind = "cadence"
name = "the board polls"
table = "prints"
where = "text like '%poll%'"
silence = "3 s"

[[rule]]
kind = "reply-within"
name = "what is said is done"
request_table = "messages"
request_where = "topic = 'a'"
reply_table = "prints"
reply_where = "text like '%poll%'"
within = "1 s"
"""


@pytest.fixture
def bench(tmp_path: Path) -> str:
    """Two sources and rules over both."""
    (tmp_path / "board.log").write_text(LOG)
    (tmp_path / "broker.jsonl").write_text(MESSAGES)
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    return str(path)


def test_what_an_unread_source_may_hold_is_not_called_absent(bench: str) -> None:
    inputs = settled([bench], Overrides())
    broker = read_source(inputs.inputs[1], inputs)
    assert broker is not None
    inputs.close()
    evidence = evidence_of(reading_of(inputs, [broker], interrupted=True))
    assert [source.name for source in evidence.sources] == ["broker"]
    assert list(evidence.findings) == []


def test_the_trust_sheet_says_which_source_was_not_read(bench: str) -> None:
    inputs = settled([bench], Overrides())
    broker = read_source(inputs.inputs[1], inputs)
    assert broker is not None
    inputs.close()
    evidence = evidence_of(reading_of(inputs, [broker], interrupted=True))
    rows = evidence.tables["trust"].filter(source="board").rows(named=True)
    assert [(row["kind"], row["severity"], row["what"]) for row in rows] == [
        ("stopped", "gap", "not read")
    ]


def test_stopped_before_anything_was_read_is_an_empty_run_and_no_error(bench: str) -> None:
    reading = read_all(settled([bench], Overrides()), stop=lambda: True)
    evidence = evidence_of(reading)
    assert reading.unread == ["board", "broker"]
    assert (evidence.interrupted, len(evidence.tables["messages"])) == (True, 0)


def test_stopped_after_the_first_source_keeps_it(bench: str) -> None:
    asked: list[int] = []

    def stop() -> bool:
        asked.append(1)
        return len(asked) > 1

    reading = read_all(settled([bench], Overrides()), stop=stop)
    assert [each.name for each in reading.sources] == ["board"]
    assert reading.interrupted

"""Recordings of messages with lines taken out, cut and put in twice: told to the line."""

from __future__ import annotations

import json
import random
import zlib
from dataclasses import replace

import pytest

from console.trust.unobserved import unobserved
from tests.console.trust.conftest import Read
from tests.console.trust.runs import Intact, close, kinds, spans

TABLE = "messages"


def some_lines(intact: Intact) -> tuple[int, int]:
    """First and last of some messages while the camera still answers."""
    dice = random.Random(zlib.crc32(b"".join(intact.files.broker)))
    first = dice.randrange(12, 32)
    return first, first + dice.randrange(2, 8)


def test_messages_taken_out_are_told_to_the_line(intact: Intact, read: Read) -> None:
    first, last = some_lines(intact)
    rows = intact.files.broker
    evidence = read(replace(intact.files, broker=rows[:first] + rows[last + 1 :]))
    found = intact.rows_of(TABLE, spans(evidence, "broker", "lost"))
    assert close(found, first - 1, last + 1)


def test_messages_put_in_twice_are_told_to_the_line(intact: Intact, read: Read) -> None:
    first, last = some_lines(intact)
    rows = intact.files.broker
    evidence = read(replace(intact.files, broker=rows[: last + 1] + rows[first:]))
    found = intact.rows_of(TABLE, spans(evidence, "broker", "repeated"))
    assert found == [(first, last)]
    assert "out-of-order" not in kinds(evidence, "broker")


def test_a_recording_cut_off_in_a_line_is_told_to_the_line(intact: Intact, read: Read) -> None:
    first, _ = some_lines(intact)
    rows = (*intact.files.broker[:first], intact.files.broker[first][:40])
    evidence = read(replace(intact.files, broker=rows))
    early = spans(evidence, "broker", "ends-early")
    assert [intact.rows_of(TABLE, early)[0][0], early[0][1]] == [first - 1, evidence.end_ns]
    unreadable = spans(evidence, "broker", "unreadable")
    assert [(intact.rows_of(TABLE, unreadable)[0][0], unreadable[0][1])] == [(first - 1, None)]


def test_lines_that_are_no_message_are_told_to_the_line(intact: Intact, read: Read) -> None:
    first, last = some_lines(intact)
    rows = list(intact.files.broker)
    for row in range(first, last + 1):
        rows[row] = rows[row][25:]
    evidence = read(replace(intact.files, broker=tuple(rows)))
    found = intact.rows_of(TABLE, spans(evidence, "broker", "unreadable"))
    assert found == [(first - 1, last + 1)]


def test_a_clock_set_back_is_told_to_the_line(intact: Intact, read: Read) -> None:
    first, _ = some_lines(intact)
    rows = []
    for number, line in enumerate(intact.files.broker):
        row = json.loads(line)
        row["t"] -= 3.5 if number >= first else 0.0
        rows.append(json.dumps(row).encode() + b"\n")
    evidence = read(replace(intact.files, broker=tuple(rows)))
    found = intact.rows_of(TABLE, spans(evidence, "broker", "out-of-order"))
    assert found == [(first - 1, first)]
    back = evidence.tables["trust"].filter(kind="out-of-order")["value"].to_list()
    times = [json.loads(line)["t"] for line in intact.files.broker]
    step_ns = (times[first] - times[first - 1]) * 1e9
    assert back == [pytest.approx(3.5e9 - step_ns, abs=1e3)]


def test_a_flagged_redelivery_is_a_note_only(intact: Intact, read: Read) -> None:
    first, _ = some_lines(intact)
    again = json.loads(intact.files.broker[first])
    again |= {"dup": True, "t": again["t"] + 0.002}
    rows = list(intact.files.broker)
    rows.insert(first + 1, json.dumps(again).encode() + b"\n")
    evidence = read(replace(intact.files, broker=tuple(rows)))
    notes = evidence.tables["trust"].filter(source="broker", kind="repeated")
    assert notes.select("severity", "value").rows() == [("note", 1.0)]
    assert kinds(evidence, "broker") == {"lost"}


def test_a_missing_answer_is_not_claimed_where_messages_are_missing(
    intact: Intact, read: Read
) -> None:
    rows = list(intact.files.broker)
    answer = next(k for k, line in enumerate(rows) if b"diverter/state" in line)
    evidence = read(replace(intact.files, broker=tuple(rows[: answer - 1] + rows[answer + 4 :])))
    asked = evidence.tables["messages"].filter(topic="capline/diverter/command")["t_ns"]
    found = [f for f in evidence.findings if f.rule == "reply-within"]
    claimed = [t for f in found if f.severity == "fault" for t in f.evidence["times_ns"]]
    gaps = unobserved_spans(evidence.tables["trust"].rows())
    hidden = [t for t in asked if any(a - 2 * 10**9 < t < b for a, b in gaps)]
    assert gaps
    assert set(claimed) & set(hidden) == set()


def unobserved_spans(rows: list[tuple[object, ...]]) -> list[tuple[int, int]]:
    """Spans of the broker in which something may have been missed."""
    from console.trust.sheet import TrustRow

    spans_of = unobserved([TrustRow(*row) for row in rows])  # type: ignore[arg-type]
    broker = spans_of["broker"]
    return list(zip(broker.from_ns.tolist(), broker.until_ns.tolist(), strict=True))

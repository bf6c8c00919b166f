"""Watching live: the same rows and findings however records come, and silences told in time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

import msgspec
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.load import load_rules
from console.pipeline.live import LiveFold, Step
from console.sources.records import Arrived, Chunk, Happened, Record
from console.watch.findings import Finding, in_order
from tests.console.pipeline.recorded import MS, START_NS, STEPS, S, bench, healthy, records_of

Told = tuple[dict[str, list[tuple[object, ...]]], list[Finding]]


def joined(steps: Iterable[Step]) -> Told:
    """All rows by table, and all findings that are for good."""
    rows: dict[str, list[tuple[object, ...]]] = {}
    found: list[Finding] = []
    for step in steps:
        for table, frame in step.rows.items():
            rows.setdefault(table, []).extend(frame.rows())
        found += step.complete
    return rows, in_order(found)


def whole(records: Sequence[Record], until_ns: int) -> Told:
    fold = LiveFold(bench(), START_NS)
    fold.feed(records)
    return joined([fold.finish(until_ns)])


@settings(max_examples=60, deadline=None)
@given(
    STEPS,
    st.lists(st.integers(0, 20_000), max_size=12),
    st.permutations(["controller", "camera", "broker"]),
    st.integers(1, 5),
    st.integers(0, 6_000),
)
def test_live_and_replay_have_the_same_rows_and_findings(
    steps: list[tuple[str, int, int, int]],
    ticks_ms: list[int],
    order: list[str],
    size: int,
    rest_ms: int,
) -> None:
    records = records_of(steps)
    until_ns = (records[-1].t_ns if records else START_NS) + rest_ms * MS
    fold = LiveFold(bench(), START_NS)
    ticks = sorted({START_NS + ms * MS for ms in ticks_ms if START_NS + ms * MS <= until_ns})
    came: list[Step] = []
    # Between two calls of the timer records of one source come in order, those of several as it
    # happens: what is stamped earlier than the time given has come by then.
    passed = groupby(records, lambda record: sum(tick <= record.t_ns for tick in ticks))
    segments = {k: list(part) for k, part in passed}
    for k in range(len(ticks) + 1):
        part = sorted(segments.get(k, []), key=lambda record: order.index(record.source))
        for at in range(0, len(part), size):
            fold.feed(part[at : at + size])
        if k < len(ticks):
            came.append(fold.until(ticks[k]))
    came.append(fold.finish(until_ns))
    assert fold.late == 0
    assert joined(came) == whole(records, until_ns)


@settings(max_examples=20, deadline=None)
@given(STEPS, st.integers(400, 1500))
def test_what_is_found_for_good_was_raised_or_is_raised_with_it(
    steps: list[tuple[str, int, int, int]], every_ms: int
) -> None:
    records = records_of(steps)
    until_ns = (records[-1].t_ns if records else START_NS) + 5 * S
    fold, raised, found = LiveFold(bench(), START_NS), [], []
    waiting = list(records)
    for now in range(START_NS, until_ns, every_ms * MS):
        fold.feed([record for record in waiting if record.t_ns < now])
        waiting = [record for record in waiting if record.t_ns >= now]
        step = fold.until(now)
        raised += step.raised
        found += step.complete
    fold.feed(waiting)
    last = fold.finish(until_ns)
    raised += last.raised
    found += last.complete
    keys = {(f.t_ns, f.rule, f.party, f.source) for f in raised}
    assert {(f.t_ns, f.rule, f.party, f.source) for f in found} <= keys


def first_raised(fold: LiveFold, from_ns: int, until_ns: int, rule: str) -> tuple[int, Finding]:
    """When a timer of 1 s first hears of a finding of that rule."""
    for now in range(from_ns, until_ns, S):
        for finding in fold.until(now).raised:
            if finding.rule == rule:
                return now, finding
    raise AssertionError(f"no {rule} until {until_ns}")


def test_silence_is_told_within_its_limit_and_a_second_though_nothing_comes() -> None:
    fold = LiveFold(bench(), START_NS)
    records = list(healthy(60))
    fold.feed(records)
    last = max(r.t_ns for r in records if r.source == "controller" and isinstance(r, Chunk))
    told_ns, finding = first_raised(fold, records[-1].t_ns + 1, START_NS + 100 * S, "cadence")
    assert finding.party == "line board"
    assert "nothing has come since" in finding.summary
    assert last + 3 * S < told_ns <= last + 3 * S + S + 5 * MS  # the line's time: its first byte


def test_port_that_is_gone_is_not_silent_and_its_return_is_no_alarm() -> None:
    fold = LiveFold(bench(), START_NS)
    records: list[Record] = list(healthy(10))
    gone = records[-1].t_ns + MS
    records += [Happened(name, gone, "closed", "") for name in ("controller", "broker")]
    back = gone + 600 * S
    records += [Happened(name, back, "opened", "") for name in ("controller", "broker")]
    records.append(Chunk("controller", back + S, b"[1] boot\n"))
    records.append(Arrived("broker", back + S, "cap/level", b'{"n": 10, "cm": 3}'))
    fold.feed(records)
    steps = [fold.until(now) for now in range(gone, back + 2 * S, 10 * S)]
    raised = [f for step in [*steps, fold.finish(back + 2 * S)] for f in step.raised]
    assert {f.rule for f in raised if f.severity == "fault"} == set()
    assert [f.rule for f in raised if f.rule == "cadence"] == []


def test_silence_before_a_port_went_is_told_though_the_port_is_gone() -> None:
    fold = LiveFold(bench(), START_NS)
    fold.feed([Happened("controller", START_NS, "opened"), Chunk("controller", START_NS, b"a\n")])
    fold.feed([Happened("controller", START_NS + 5 * S, "closed")])
    (finding,) = [f for f in fold.finish(START_NS + 60 * S).complete if f.rule == "cadence"
                  and f.party == "line board"]  # fmt: skip
    assert finding.evidence["silent_ns"] == 5 * S
    assert "nothing came for 5 s" in finding.summary


def test_request_whose_reply_could_not_be_seen_is_told_as_that() -> None:
    fold = LiveFold(bench(), START_NS)
    broker: list[Record] = [
        Happened("broker", START_NS, "opened"),
        Arrived("broker", START_NS, "cap/gate", b""),
    ]
    fold.feed([*broker, Happened("broker", START_NS + S, "closed")])
    fold.feed([Happened("controller", START_NS, "opened")])
    fold.feed([Chunk("controller", START_NS + 2 * S, b"gate 1\n")])
    found = [f for f in fold.finish(START_NS + 9 * S).complete if f.rule == "reply-within"]
    assert [(f.severity, "not observable" in f.summary) for f in found] == [("note", True)]


def test_line_without_its_end_is_given_after_a_second() -> None:
    fold = LiveFold(bench(), START_NS)
    fold.feed([Chunk("camera", START_NS + S, b"> ")])
    early = fold.until(START_NS + 2 * S - 1)
    late = fold.until(START_NS + 3 * S)
    assert early.rows == {}
    assert late.rows["prints"]["text"].to_list() == ["> "]


def test_line_begun_before_a_port_went_is_not_joined_with_what_comes_after() -> None:
    fold = LiveFold(bench(), START_NS)
    fold.feed([Chunk("camera", START_NS, b"poll 1"), Happened("camera", START_NS, "closed")])
    fold.feed([Happened("camera", START_NS + MS, "opened"), Chunk("camera", START_NS + MS, b"2\n")])
    rows = fold.finish(START_NS + S).rows["prints"]
    assert rows["text"].to_list() == ["poll 1", "2"]


def test_happenings_are_rows_with_the_band_of_their_source() -> None:
    fold = LiveFold(bench(), START_NS)
    fold.feed([Happened("broker", START_NS, "subscribed", "cap/# with QoS 1")])
    rows = fold.finish(START_NS + S).rows["happenings"]
    assert rows.rows() == [(START_NS, "broker", "subscribed", "cap/# with QoS 1", 50 * MS)]


def test_record_that_comes_too_late_is_counted_and_judged_all_the_same() -> None:
    fold = LiveFold(bench(), START_NS)
    fold.until(START_NS + 10 * S)
    fold.feed([Chunk("camera", START_NS + 4 * S, b"late\n")])
    rows = fold.finish(START_NS + 11 * S).rows["prints"]
    assert fold.late == 1
    assert rows["t_ns"].to_list() == [START_NS + 10 * S]


def test_rules_that_need_a_capture_are_not_watched_and_are_named() -> None:
    rules = load_rules(
        '[[rule]]\nkind = "limits"\ntable = "transactions"\nfield = "address"\nmax = 99\n', "r.toml"
    )
    fold = LiveFold(msgspec.structs.replace(bench(), rules=rules), START_NS)
    assert fold.unwatched == rules


@pytest.mark.parametrize("every_s", [1.0, 0.02])
def test_healthy_line_raises_nothing(every_s: float) -> None:
    fold = LiveFold(bench(), START_NS)
    raised: list[Finding] = []
    waiting = sorted(healthy(120 * every_s, every_s), key=lambda record: record.t_ns)
    end = waiting[-1].t_ns
    for now in range(START_NS + S, end + S, S):
        fold.feed([record for record in waiting if record.t_ns < now])
        waiting = [record for record in waiting if record.t_ns >= now]
        raised += fold.until(now).raised
    fold.feed(waiting)
    raised += fold.finish(end).raised
    assert [f.summary for f in raised if f.rule != "cadence" or f.severity == "fault"] == []


def test_what_is_kept_does_not_grow_with_the_run() -> None:
    fold = LiveFold(bench(), START_NS)
    kept: list[int] = []
    for k in range(60):
        t = START_NS + k * 10 * S
        fold.feed(
            Chunk("camera", t + n * 10 * MS, b"[%d] frame\n" % (k * 10_000 + n * 10))
            for n in range(1000)
        )
        fold.until(t + 10 * S)
        pending = fold._pending
        kept.append(sum(frame.height for parts in pending.values() for _, frame in parts))
    assert max(kept) <= 101


def test_rows_are_given_once_in_order_of_time() -> None:
    fold = LiveFold(bench(), START_NS)
    fold.feed(healthy(30))
    steps = [fold.until(START_NS + k * 3 * S) for k in range(11)]
    frames = [step.rows["prints"] for step in [*steps, fold.finish(START_NS + 31 * S)]
              if "prints" in step.rows]  # fmt: skip
    times = pl.concat(frames)["t_ns"]
    assert times.is_sorted()
    assert len(times) == 63

"""However a run is cut into batches, every rule finds the same; standing findings fit as well."""

from __future__ import annotations

import random

import msgspec
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.load import load_rules
from console.bench.model import Bench
from console.watch.from_bench import rules_for
from console.watch.rule import Batch, Rule
from console.watch.watching import Watch
from tests.console.watch.runs import MS, S, Tables, nack, poll, table, transaction, watched

RULES = """
[[rule]]
kind = "limits"
table = "messages"
field = "fields.level_cm"
min = 2
max = 6
where = "topic = 'a'"

[[rule]]
kind = "cadence"
table = "prints"
period = "1 s"
silence = "4 s"

[[rule]]
kind = "sequence"
table = "messages"
field = "fields.level_cm"

[[rule]]
kind = "reply-within"
request_table = "messages"
request_where = "topic = 'a'"
reply_table = "prints"
within = "1.5 s"
slack = "100ms"

[[rule]]
kind = "reply-within"
request_table = "messages"
request_where = "topic = 'a'"
reply_table = "messages"
reply_where = "topic = 'b'"
request_key = "fields.level_cm"
reply_key = "fields.level_cm"
within = "3 s"

[[rule]]
kind = "line-held"
hold_ms = 100

[[rule]]
kind = "pattern"
table = "prints"
where = "text LIKE '%e%'"
"""


def rules() -> list[Rule]:
    bench = msgspec.structs.replace(Bench(), rules=load_rules(RULES, "rules.toml"))
    return rules_for(bench)


def gathered(steps: list[tuple[int, int, int]]) -> Tables:
    """A run of some 150 s from random steps: what happened, how long after, and a number."""
    rows: dict[str, list[dict[str, object]]] = {
        name: [] for name in ("transactions", "prints", "messages", "line_states", "packets")
    }
    rows["exchanges"] = []
    t = 0
    for what, after, number in steps:
        t += (5 * MS, 200 * MS, S, 3 * S)[after]
        address = 0x41 if number == 0 else 0x2E
        if what < 5:
            rows["transactions"] += [
                transaction(t, address),
                transaction(t + 2 * MS, address, read=True, data="0a0b", acks="AN"),
            ]
            outcome = "invalid" if number == 7 else "answered"
            rows["exchanges"].append({"request_ns": t, "device": "0x41", "outcome": outcome})
        elif what < 8:
            rows["transactions"].append(nack(t, address))
        elif what == 8:
            text, native = ("hello", "tick")[number % 2], t if number != 5 else 0
            rows["prints"].append(
                {"t_ns": t, "source": "c", "text": text, "native_ns": native, "damaged": False}
            )
        elif what == 9:
            topic, fields = "ab"[number % 2], f'{{"level_cm": {number}}}'
            rows["messages"].append({"t_ns": t, "source": "m", "topic": topic, "fields": fields})
        elif what == 10:
            state = ("sda-held", "scl-held", "noise", "spike", "not-observed")[number % 5]
            span = {"start_ns": t, "end_ns": t + number * S, "state": state}
            rows["line_states"].append({"source": "wire", "bus": "i2c-1", **span})
        else:
            problems = [["check-code"], ["range"], [], ["pec", "range"]][number % 4]
            packet = {"start_ns": t, "device": "camera", "packet": "p", "problems": problems}
            rows["packets"].append(packet)
    return {name: table(name, some) for name, some in rows.items()}


STEP = st.tuples(st.integers(0, 11), st.integers(0, 3), st.integers(0, 7))
# A run of the same step, so that polls and silences are long enough to matter.
STEPS = st.lists(
    st.tuples(STEP, st.integers(1, 25)).map(lambda pair: [pair[0]] * pair[1]),
    min_size=1,
    max_size=14,
).map(lambda runs: [step for run in runs for step in run])


@settings(max_examples=40, deadline=None)
@given(
    steps=STEPS,
    cuts=st.lists(st.floats(0, 1), max_size=12),
    ends=st.sampled_from([None, 0.4, 1.0]),
)
def test_findings_do_not_depend_on_how_the_run_is_cut(
    steps: list[tuple[int, int, int]], cuts: list[float], ends: float | None
) -> None:
    tables = gathered(steps)
    until = 20 * S + max(t.to_series(0).to_list()[-1] for t in tables.values() if t.height)
    seen = {} if ends is None else {"wire": round(ends * until), "c": until}
    whole = watched(rules(), tables, until, observed_until=seen)
    pieces = watched(rules(), tables, until, [round(c * until) for c in cuts], seen)
    assert pieces == whole


@pytest.mark.parametrize("seed", range(3))
def test_findings_of_a_full_run_are_the_same_in_fifty_batches(seed: int) -> None:
    randomly = random.Random(seed)
    steps = [
        (what, randomly.randrange(4), randomly.randrange(8))
        for _ in range(25)
        for what in randomly.sample(range(12), 12)
    ]
    tables = gathered(steps)
    until = 20 * S + max(t.to_series(0).to_list()[-1] for t in tables.values())
    whole = watched(rules(), tables, until)
    pieces = watched(rules(), tables, until, [k * until // 50 for k in range(1, 50)])
    assert pieces == whole
    assert {"limits", "cadence", "sequence", "reply-within", "line-held", "pattern"} <= {
        finding.rule for finding in whole
    }
    assert {"check-code", "packet-problem"} <= {finding.rule for finding in whole}


def stopping() -> Tables:
    polls = [transaction(s * S) for s in range(60)] + [nack(s * S) for s in range(60, 100)]
    return {"transactions": table("transactions", polls)}


def cut_at(tables: Tables, after: int, until: int) -> Batch:
    starts = pl.col("start_ns")
    rows = {n: t.filter((starts > after) & (starts <= until)) for n, t in tables.items()}
    return Batch(rows, until)


@pytest.mark.parametrize(("second", "known"), [(63, False), (66, True), (99, True)])
def test_a_stop_stands_as_soon_as_its_polls_are_seen(second: int, known: bool) -> None:
    watch = Watch(rules_for(Bench()))
    assert watch.feed(cut_at(stopping(), -1, second * S)) == []
    standing = watch.standing(second * S)
    assert [f.severity == "fault" for f in standing] == [known]


@pytest.mark.parametrize("cut_s", [29.5, 30.5, 31.5, 32.5])
@pytest.mark.parametrize("silent", ["nack", "filler"])
def test_a_short_run_of_unanswered_polls_is_the_same_in_two_batches(
    cut_s: float, silent: str
) -> None:
    def unanswered(second: int) -> list[dict[str, object]]:
        return [nack(second * S)] if silent == "nack" else poll(second * S, data="ffffff")

    rows = [
        row
        for second in range(80)
        for row in (unanswered(second) if 30 <= second < 33 else poll(second * S))
    ]
    tables = {"transactions": table("transactions", rows)}
    whole = watched(rules_for(Bench()), tables, 80 * S)
    assert watched(rules_for(Bench()), tables, 80 * S, [round(cut_s * S)]) == whole
    assert len(whole) == (silent == "nack")


@pytest.mark.parametrize("cut_s", [20, 59.5, 61.5, 75.5])
def test_filler_that_lasts_is_the_same_stop_in_two_batches(cut_s: float) -> None:
    rows = [
        row
        for second in range(100)
        for row in poll(second * S, data="0a1b2c" if second < 60 else "ffffff")
    ]
    tables = {"transactions": table("transactions", rows)}
    (whole,) = watched(rules_for(Bench()), tables, 100 * S)
    assert watched(rules_for(Bench()), tables, 100 * S, [round(cut_s * S)]) == [whole]
    assert (whole.evidence["how"], whole.evidence["polls_answered"]) == ("filler", 60)


def test_looking_at_what_stands_changes_nothing() -> None:
    looked, plain = Watch(rules_for(Bench())), Watch(rules_for(Bench()))
    found = []
    for second in range(0, 100, 7):
        batch = cut_at(stopping(), second * S - 1, (second + 7) * S - 1)
        plain.feed(batch)
        found += looked.feed(batch)
        looked.standing((second + 7) * S - 1)
    assert found == []
    assert looked.finish(100 * S) == plain.finish(100 * S)


def test_times_in_words_count_from_the_start_of_the_run() -> None:
    early = Watch(rules_for(Bench()), start_ns=-60 * S)
    plain = Watch(rules_for(Bench()))
    for watch, words in ((early, "at 02:00.000"), (plain, "at 01:00.000")):
        watch.feed(cut_at(stopping(), -1, 100 * S))
        (finding,) = watch.finish(100 * S)
        assert words in finding.summary


def test_a_run_without_events_has_no_findings() -> None:
    watch = Watch(rules_for(Bench()))
    assert watch.feed(Batch({}, 10 * S)) + watch.standing(20 * S) + watch.finish(30 * S) == []

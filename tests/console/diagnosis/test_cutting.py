"""Lives of peripherals: they say what the findings say, however the run is cut."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from console.bench.load import load_bench
from console.bench.model import Bench
from console.bench.tables import time_column
from console.diagnosis.cutting import EpisodeCutter, episodes_of
from console.diagnosis.episode import Episode
from console.diagnosis.episodes_table import SCHEMA, episodes_frame
from console.trust.unobserved import Unobserved
from console.watch.rule import Batch
from console.watch.stops_answering import STOPS_TOLD
from console.watch.watching import watched
from tests.console.watch.runs import MS, S, Tables, nack, nacks, polls, table, transaction


@dataclass(frozen=True)
class Seen:
    """What was watched."""

    until_ns: int
    observed_until: Mapping[str, int] = field(default_factory=dict)
    unobserved: Mapping[str, Unobserved] = field(default_factory=dict)
    off_axis: tuple[str, ...] = ()


def run_of(rows: Iterable[Mapping[str, object]], **more: list[dict[str, object]]) -> Tables:
    frames = {"transactions": table("transactions", rows)}
    return frames | {name: table(name, some) for name, some in more.items()}


def lives(rows: Iterable[Mapping[str, object]], until_s: float) -> list[Episode]:
    until_ns = round(until_s * S)
    return episodes_of(Bench(), run_of(rows), Seen(until_ns, {"wire": until_ns}))


def test_peripheral_that_dies_has_one_life_that_failed() -> None:
    (life,) = lives(polls(range(2047)) + nacks(range(2047, 2100)), 2100)
    assert life == Episode(
        device="0x2E on i2c-1",
        source="wire",
        bus="i2c-1",
        address=0x2E,
        address_bits=7,
        first_good_ns=0,
        last_good_ns=2046 * S + 2 * MS,
        first_bad_ns=2047 * S,
        until_ns=2100 * S,
        failed=True,
        recovered=False,
        how="address-nack",
        transactions_answered=4094,
        polls_answered=2047,
        transactions_unanswered=53,
    )


def test_life_that_lasts_to_the_end_is_censored_there() -> None:
    (life,) = lives(polls(range(100)), 120)
    assert (life.failed, life.how, life.recovered) == (False, "", False)
    assert (life.first_bad_ns, life.until_ns) == (120 * S, 120 * S)
    assert (life.polls_answered, life.elapsed_ns) == (100, 99 * S + 2 * MS)


def test_life_after_a_recovery_counts_from_its_own_first_answer() -> None:
    rows = polls(range(50)) + nacks(range(50, 70)) + polls(range(70, 130))
    first, second = lives(rows, 130)
    assert (first.failed, first.recovered, first.until_ns) == (True, True, 70 * S)
    assert (second.failed, second.first_good_ns, second.polls_answered) == (False, 70 * S, 60)


def test_few_unanswered_polls_at_the_end_are_no_failure() -> None:
    (life,) = lives(polls(range(50)) + nacks(range(50, 52)), 52)
    assert not life.failed
    assert life.last_good_ns == 49 * S + 2 * MS


def test_address_that_never_answered_has_no_life() -> None:
    assert lives(nacks(range(100)), 100) == []


def test_every_stop_is_an_episode_where_findings_tell_but_the_first() -> None:
    rows: list[dict[str, object]] = []
    for k in range(STOPS_TOLD + 5):
        at = 100 * k
        rows += polls(range(at, at + 80)) + nacks(range(at + 80, at + 100))
    found = lives(rows, 100 * (STOPS_TOLD + 5))
    assert [life.failed for life in found] == [True] * (STOPS_TOLD + 5)
    assert [life.polls_answered for life in found] == [80] * (STOPS_TOLD + 5)


def test_a_device_with_a_rule_of_its_own_is_cut_by_that_rule() -> None:
    bench = load_bench(
        '[[source]]\nname = "wire"\nkind = "capture"\npath = "wire.csv"\n'
        '[[bus]]\nname = "i2c-1"\nsource = "wire"\nscl = "scl"\nsda = "sda"\n'
        '[[device]]\nname = "camera"\nbus = "i2c-1"\naddress = 0x2E\n'
        '[[rule]]\nkind = "stops-answering"\ndevice = "camera"\nafter_polls = 30\n',
        "bench.toml",
    )
    rows = polls(range(50)) + nacks(range(50, 70)) + polls(range(70, 130))
    found = episodes_of(bench, run_of(rows), Seen(130 * S, {"wire": 130 * S}))
    assert [(life.device, life.failed, life.polls_answered) for life in found] == [
        ("camera", False, 110)
    ]


def some_run(steps: list[tuple[int, int]]) -> tuple[Tables, int]:
    """Polls and unanswered polls of two targets, and a line that is held, by random steps."""
    rows: list[dict[str, object]] = []
    held: list[dict[str, object]] = []
    t = 0
    for what, count in steps:
        address = 0x2E if what % 2 else 0x44
        if what < 4:
            rows += polls(range(t, t + count), address)
        elif what < 6:
            rows += nacks(range(t, t + count), address)
        elif what == 6:
            rows += [transaction(k * S, address, acks="N") for k in range(t, t + count)]
        else:
            ends = {"start_ns": t * S + S // 2, "end_ns": (t + count) * S}
            held.append(ends | {"source": "wire", "bus": "i2c-1", "state": "sda-held"})
        t += count
    return run_of(rows, line_states=held), (t + 20) * S


STEPS = st.lists(st.tuples(st.integers(0, 7), st.integers(1, 60)), min_size=1, max_size=12)


@settings(max_examples=40, deadline=None)
@given(steps=STEPS, cuts=st.lists(st.integers(0, 500), max_size=6))
def test_lives_do_not_depend_on_how_the_run_is_cut(
    steps: list[tuple[int, int]], cuts: list[int]
) -> None:
    tables, until_ns = some_run(steps)
    cutter, found = EpisodeCutter(Bench()), []
    borders = [-1, *sorted(c * S for c in cuts if c * S < until_ns), until_ns]
    for after, until in pairwise(borders):
        part = {
            name: frame.filter(
                (pl.col(time_column(name)) > after) & (pl.col(time_column(name)) <= until)
            )
            for name, frame in tables.items()
        }
        found += cutter.feed(Batch(part, until, {"wire": until}))
    found += cutter.finish(until_ns)
    whole = episodes_of(Bench(), tables, Seen(until_ns, {"wire": until_ns}))
    assert sorted(found, key=str) == sorted(whole, key=str)


@settings(max_examples=60, deadline=None)
@example(steps=[(0, 1), (1, 31), (4, 10), (1, 1)])  # two stop in the same instant
@given(steps=STEPS)
def test_lives_that_failed_say_what_the_findings_say(steps: list[tuple[int, int]]) -> None:
    tables, until_ns = some_run(steps)
    seen = {"wire": until_ns}
    findings = watched(Bench(), tables, 0, until_ns, seen)
    told = [
        f.evidence
        for f in findings
        if f.rule == "stops-answering"
        and "missed_polls" not in f.evidence
        and "of the run" not in f.summary  # too few polls for a stop
    ]
    failed = [life for life in episodes_of(Bench(), tables, Seen(until_ns, seen)) if life.failed]
    keys = ["device", "address", "first_bad_ns", "how", "transactions_answered"]
    keys += ["polls_answered", "transactions_unanswered"]
    said = [[getattr(life, key) for key in keys] for life in failed]
    assert sorted(said) == sorted([evidence[key] for key in keys] for evidence in told)


def test_table_has_a_row_a_life_with_words_where_somebody_looked() -> None:
    rows = polls(range(50)) + nacks(range(50, 70)) + polls(range(70, 130))
    found = lives(rows, 130)
    plain = episodes_frame(found)
    assert dict(plain.schema) == dict(SCHEMA)
    assert plain["different"].to_list() == [None, None]
    said = episodes_frame(found, [["a rare byte"], None], ["orphaned read", None])
    assert said["different"].to_list() == [["a rare byte"], None]
    assert said["cause"].to_list() == ["orphaned read", None]
    assert episodes_frame([]).height == 0


def test_words_for_other_episodes_are_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="1 episodes, but words for 2"):
        episodes_frame(lives(polls(range(50)), 60), [None, None])


def test_lone_nack_among_answers_ends_no_life() -> None:
    (life,) = lives([*polls(range(50)), nack(50 * S), *polls(range(51, 100))], 100)
    assert not life.failed

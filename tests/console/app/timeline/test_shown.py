"""Which events are shown, folded waits, and the time that a group counts from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.app.timeline.shown import FOLD_TIMES, GROUP, Shown, kept_of_parties
from console.timeline.events import BAD, GOOD, ODD, UNSEEN
from tests.console.app.timeline.views import events_at

YEAR_NS = 365 * 24 * 3600 * 10**9
TIMES = st.lists(st.one_of(st.integers(-50, 50), st.integers(-YEAR_NS, YEAR_NS)), max_size=120)


def masked(times: list[int], seed: int) -> tuple[Shown, list[int]]:
    """Some of the events, and which."""
    events = events_at(times)
    keep = np.random.default_rng(seed).random(len(times)) < 0.6
    return Shown(events, keep), np.flatnonzero(keep).tolist()


@given(TIMES, st.integers(0, 9))
def test_positions_count_the_events_that_are_kept(times: list[int], seed: int) -> None:
    shown, kept = masked(times, seed)
    assert [shown.event(k) for k in range(len(shown))] == kept
    assert [shown.position(event) for event in kept] == list(range(len(kept)))


@given(TIMES.filter(bool), st.integers(0, 9))
def test_a_hidden_event_stands_for_the_next_one_shown(times: list[int], seed: int) -> None:
    shown, kept = masked(times, seed)
    wanted = [min((k for k, e in enumerate(kept) if e >= event), default=len(kept) - 1)
              for event in range(len(times))]  # fmt: skip
    assert [shown.position(event) for event in range(len(times))] == [max(w, 0) for w in wanted]


@given(TIMES.filter(bool), st.integers(-60, 60), st.integers(0, 9))
def test_the_nearest_event_is_as_near_as_any(times: list[int], t_ns: int, seed: int) -> None:
    events = events_at(times)
    for shown in (Shown(events), masked(times, seed)[0]):
        apart = [abs(shown.t_ns(k) - t_ns) for k in range(len(shown))]
        assert not apart or apart[shown.near(t_ns)] == min(apart)


@given(TIMES, st.integers(-60, 60), st.integers(0, 40), st.integers(0, 9))
def test_the_first_in_a_span_is_the_first_in_it(
    times: list[int], begin: int, length: int, seed: int
) -> None:
    shown, _ = masked(times, seed)
    inside = [k for k in range(len(shown)) if begin <= shown.t_ns(k) < begin + length]
    assert shown.first_in(begin, begin + length) == (inside[0] if inside else None)


@given(TIMES, st.integers(0, 9))
def test_a_wait_is_folded_exactly_where_it_is_longer_than_the_rule(
    times: list[int], seed: int
) -> None:
    shown, kept = masked(times, seed)
    waits = np.diff(np.sort(np.asarray(times, np.int64))[kept])
    usual = int(np.median(waits[waits > 0])) if (waits > 0).any() else 0
    folded = [k for k in range(len(shown)) if shown.folds(k)]
    assert folded == [k + 1 for k, wait in enumerate(waits) if wait > FOLD_TIMES * usual]


@given(TIMES, st.integers(0, 9))
def test_times_count_from_an_event_that_is_written_in_full(times: list[int], seed: int) -> None:
    shown, _ = masked(times, seed)
    heads = [shown.head(k) for k in range(len(shown))]
    assert [shown.head(head) for head in heads] == heads
    assert all(0 <= k - head < GROUP for k, head in enumerate(heads))
    assert all(not shown.folds(j) for k, head in enumerate(heads) for j in range(head + 1, k + 1))


def test_events_of_one_moment_are_no_measure_of_waits() -> None:
    pairs = [t + twin for t in range(0, 4000, 100) for twin in (0, 0, 0)]
    assert not any(Shown(events_at(pairs)).folds(k) for k in range(len(pairs)))


def test_all_events_at_one_moment_are_one_group_after_another_without_a_fold() -> None:
    shown = Shown(events_at([7] * 100))
    assert not any(shown.folds(k) for k in range(100))
    assert [k for k in range(100) if shown.head(k) == k] == list(range(0, 100, GROUP))


def test_a_run_without_events_has_no_position_to_ask_for() -> None:
    shown = Shown(events_at([]))
    assert (len(shown), shown.near(5), shown.first_in(0, 9)) == (0, 0, None)


@pytest.mark.parametrize(
    ("states", "worst"),
    [
        ([GOOD, UNSEEN, ODD, BAD, BAD], 3),
        ([GOOD, UNSEEN, ODD, GOOD, ODD], 2),
        ([GOOD, UNSEEN, GOOD, GOOD, GOOD], 1),
        ([GOOD] * 5, 0),
    ],
)
def test_the_worst_of_a_span_is_the_first_of_the_gravest(states: list[int], worst: int) -> None:
    events = replace(events_at([10, 11, 12, 13, 14]), state=np.array(states, np.uint8))
    assert Shown(events).worst_in(0, 15) == worst
    keep = np.ones(5, np.bool_)
    keep[0] = False
    assert Shown(events, keep).worst_in(0, 15) == max(worst - 1, 0)


def test_what_a_filter_hides_is_not_the_worst() -> None:
    events = replace(events_at([10, 11, 12]), state=np.array([GOOD, BAD, ODD], np.uint8))
    shown = Shown(events, np.array([True, False, True]))
    assert shown.event(shown.worst_in(0, 15)) == 2


def test_events_of_other_parties_and_those_a_filter_hides_are_left_out() -> None:
    events = replace(events_at(range(6)), party=np.array([0, 1, 2, 0, 1, 2], np.uint16))
    keep = np.array([True, True, False, False, True, True])
    of_parties, of_both = kept_of_parties(events, [2, 0], 3), kept_of_parties(events, [2], 3, keep)
    assert of_parties is not None
    assert of_both is not None
    assert of_parties.tolist() == [True, False, True, True, False, True]
    assert of_both.tolist() == [False, False, False, False, False, True]


def test_where_every_party_is_wanted_the_filter_alone_decides() -> None:
    events, keep = events_at(range(3)), np.array([True, False, True])
    assert kept_of_parties(events, [0], 1) is None
    assert kept_of_parties(events, [0], 1, keep) is keep


def test_a_million_events_are_laid_out_within_memory_of_their_folds() -> None:
    times = np.arange(1_000_000, dtype=np.int64) * 1_000
    times[500_000:] += 10**9
    shown = Shown(events_at(times))
    assert [k for k in (499_999, 500_000, 500_001) if shown.folds(k)] == [500_000]
    assert shown.head(500_030) == 500_024

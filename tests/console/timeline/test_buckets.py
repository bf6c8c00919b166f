"""Counts of buckets against a walk over the events."""

from __future__ import annotations

from collections import Counter

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.timeline.buckets import (
    PART,
    WIDTHS_NS,
    Buckets,
    answers_of,
    buckets_of,
    usual_width_ns,
)
from console.timeline.events import BAD, EVENT_TABLES, GOOD, ODD, UNSEEN, Events

YEAR_NS = 365 * 24 * 3600 * 10**9
EVENT = st.tuples(
    st.integers(-100, 1_000), st.integers(0, 2), st.sampled_from([GOOD, ODD, BAD, UNSEEN])
)


def events_of(rows: list[tuple[int, int, int]]) -> Events:
    rows = sorted(rows)
    t_ns, party, state = (np.array([row[k] for row in rows], np.int64) for k in range(3))
    n = len(rows)
    return Events(
        t_ns,
        np.full(n, EVENT_TABLES.index("prints"), np.uint8),
        np.arange(n, dtype=np.uint32),
        party.astype(np.uint16),
        state.astype(np.uint8),
    )


@given(
    st.lists(EVENT, max_size=80), st.integers(-100, 100), st.integers(0, 900), st.integers(1, 300)
)
def test_every_event_of_the_run_is_counted_in_its_bucket(
    rows: list[tuple[int, int, int]], start_ns: int, length_ns: int, width_ns: int
) -> None:
    buckets = buckets_of(events_of(rows), 3, start_ns, start_ns + length_ns, width_ns)
    count = length_ns // width_ns + 1
    assert len(buckets) == count
    inside = [(t, p, s) for t, p, s in rows if 0 <= t - start_ns < count * width_ns]
    found = Counter(((t - start_ns) // width_ns, p, s) for t, p, s in inside)
    for state, counts in ((ODD, buckets.odd), (BAD, buckets.bad), (UNSEEN, buckets.unseen)):
        assert counts.tolist() == [[found[k, p, state] for p in range(3)] for k in range(count)]
    assert buckets.events.sum() == len(inside)
    assert buckets.events.tolist() == [
        [sum(found[k, p, s] for s in range(4)) for p in range(3)] for k in range(count)
    ]


@given(st.lists(EVENT, max_size=80), st.integers(1, 300))
def test_eighths_of_a_bucket_add_up_and_lie_where_the_events_are(
    rows: list[tuple[int, int, int]], width_ns: int
) -> None:
    buckets = buckets_of(events_of(rows), 3, -100, 1_000, width_ns)
    assert buckets.parts.sum(axis=2).tolist() == buckets.events.tolist()
    fine = Counter((*divmod((t + 100) * PART // width_ns, PART), p) for t, p, _ in rows)
    assert {
        (int(k), int(e), int(p)): int(buckets.parts[k, p, e])
        for k, p, e in zip(*np.nonzero(buckets.parts), strict=True)
    } == fine


@given(st.integers(-100, 1_200), st.integers(1, 300))
def test_a_time_is_found_in_the_bucket_that_covers_it(t_ns: int, width_ns: int) -> None:
    buckets = buckets_of(events_of([]), 1, 0, 1_000, width_ns)
    k = buckets.at(t_ns)
    inside = buckets.begins_ns(k) <= t_ns < buckets.begins_ns(k) + width_ns
    assert inside or k == (0 if t_ns < 0 else len(buckets) - 1)


def test_a_run_without_length_or_events_has_one_bucket() -> None:
    buckets = buckets_of(events_of([]), 2, 5, 5, WIDTHS_NS[0])
    assert (len(buckets), buckets.events.tolist()) == (1, [[0, 0]])


def test_a_run_of_a_year_is_counted_to_the_last_ns() -> None:
    rows = [(0, 0, GOOD), (YEAR_NS - 1, 1, BAD), (YEAR_NS, 0, ODD)]
    buckets = buckets_of(events_of(rows), 2, 0, YEAR_NS, 24 * 3600 * 10**9)
    assert (len(buckets), buckets.events.sum()) == (366, 3)
    assert (buckets.bad[364, 1], buckets.odd[365, 0]) == (1, 1)


def test_more_buckets_than_can_be_shown_are_refused() -> None:
    with pytest.raises(ValueError, match="1,000,001 buckets"):
        buckets_of(events_of([]), 1, 0, 1_000_000_000, 1_000)


@pytest.mark.parametrize(
    ("length_ns", "width_ns"),
    [(0, 1_000), (30, 1_000), (40 * 60 * 10**9, 60 * 10**9), (YEAR_NS, 24 * 3600 * 10**9)],
)
def test_a_run_opens_in_about_forty_rows(length_ns: int, width_ns: int) -> None:
    assert usual_width_ns(7, 7 + length_ns) == width_ns


def exchange(
    t_ns: int | None, outcome: str, latency_ns: int | None, device: str = "camera"
) -> object:
    came = latency_ns is not None and t_ns is not None
    return (t_ns, t_ns + latency_ns if came else None, device, outcome, latency_ns)  # type: ignore[operator]


def table_of(*rows: object) -> pl.DataFrame:
    schema = {
        "request_ns": pl.Int64, "reply_ns": pl.Int64, "device": pl.String, "outcome": pl.String,
        "latency_ns": pl.Int64,
    }  # fmt: skip
    return pl.DataFrame(list(rows), schema=schema, orient="row")


def ten_wide() -> Buckets:
    return buckets_of(events_of([]), 2, 0, 29, 10)


def test_answers_are_counted_where_the_request_was_made() -> None:
    rows = table_of(
        exchange(1, "answered", 4),
        exchange(9, "answered", 8),
        exchange(9, "invalid", 30),
        exchange(12, "none", None),
        exchange(13, "late", 9),
    )
    found = answers_of(rows, {"camera": 1}, ten_wide(), 2)
    assert found.asked.tolist() == [[0, 3], [0, 2], [0, 0]]
    assert found.answered.tolist() == [[0, 3], [0, 1], [0, 0]]
    assert found.wrong.tolist() == [[0, 1], [0, 1], [0, 0]]
    assert found.median_ns[:2, 1].tolist() == [8, 9]
    assert found.most_ns[:2, 1].tolist() == [30, 9]
    assert np.isnan(found.median_ns[2]).all()


def test_requests_of_no_known_device_time_or_run_are_nobodys() -> None:
    rows = table_of(
        exchange(1, "answered", 4, "stranger"),
        exchange(None, "none", None),
        exchange(-1, "answered", 4),
        exchange(30, "answered", 4),
    )
    assert answers_of(rows, {"camera": 1}, ten_wide(), 2).asked.sum() == 0
    assert answers_of(rows, {}, ten_wide(), 2).asked.sum() == 0
    assert answers_of(table_of(), {"camera": 1}, ten_wide(), 2).asked.sum() == 0

"""What belongs to one poll, told from gaps, directions and repeated STARTs."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.watch.polls import Asked, PollCutter, Polls

MS = 1_000_000
S = 1_000_000_000


def asked(times: Sequence[int], reads: str, bad: str = "", restart: str = "") -> Asked:
    """Transactions at these times; the texts say R or W, x where unanswered, r where restarted."""
    n = len(times)
    start = np.array(times, np.int64)
    no = np.zeros(n, np.bool_)
    return Asked(
        start_ns=start,
        end_ns=start + 300_000,
        read=np.array([c == "R" for c in reads]),
        restart=np.array([c == "r" for c in restart.ljust(n)]),
        bad=np.array([c == "x" for c in bad.ljust(n)], np.uint8),
        filler=no,
        content=no,
        blank=no,
    )


def cut(rows: Asked) -> Polls:
    cutter = PollCutter()
    first, rest = cutter.feed(rows), cutter.finish()
    assert len(first) == 0 or len(rest) == 1
    return first if not len(rest) else joined([first, rest])


def joined(parts: Sequence[Polls]) -> Polls:
    names = Polls.__slots__
    return Polls(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def grouped(times: Sequence[int], reads: str, restart: str = "") -> int:
    return len(cut(asked(times, reads, restart=restart)))


def test_a_request_and_its_reply_are_one_poll() -> None:
    times = [s * S + k * 5 * MS for s in range(40) for k in range(2)]
    assert grouped(times, "WR" * 40) == 40


def test_a_poll_may_have_many_transactions() -> None:
    times = [s * S + k * 5 * MS for s in range(40) for k in range(6)]
    assert grouped(times, "WRWRWR" * 40) == 40


def test_a_reply_awaited_for_long_stays_with_its_request() -> None:
    times = [s * S + k for s in range(40) for k in (0, 1 * MS, 30 * MS)]
    assert grouped(times, "WRR" * 40) == 40


def test_a_poll_rate_that_changes_does_no_harm() -> None:
    slow = [s * S + k * 2 * MS for s in range(50) for k in range(2)]
    fast = [50 * S + s * 100 * MS + k * 2 * MS for s in range(50) for k in range(2)]
    assert grouped(slow + fast, "WR" * 100) == 100


def test_reads_alone_are_polls_by_themselves() -> None:
    assert grouped([s * 20 * MS for s in range(100)], "R" * 100) == 100


def test_without_gaps_a_write_goes_with_the_read_after_it() -> None:
    assert grouped([k * MS for k in range(200)], "WR" * 100) == 100


def test_a_repeated_start_never_begins_a_poll() -> None:
    times = [k * MS for k in range(100)]
    assert grouped(times, "RR" * 50, restart=" r" * 50) == 50


def test_retries_count_as_polls_by_time() -> None:
    good = [s * S + k * 2 * MS for s in range(50) for k in range(2)]
    tries = [50 * S + k * 10 * MS for k in range(1000)]  # 10 s without a pause
    rows = asked(good + tries, "WR" * 50 + "W" * 1000, bad=" " * 100 + "x" * 1000)
    polls = cut(rows)
    assert int(polls.answered.sum()) == 50
    assert 9 <= len(polls) - 50 <= 11
    for size in (7, 130):
        cutter = PollCutter()
        parts = [cutter.feed(rows.part(a, a + size)) for a in range(0, len(rows), size)]
        pieces = joined([*parts, cutter.finish()])
        assert pieces.start_ns.tolist() == polls.start_ns.tolist()


@pytest.mark.parametrize("n", [1, 7, 31, 32, 33, 64, 65])
def test_no_transaction_is_lost(n: int) -> None:
    polls = cut(asked([s * S for s in range(n)], "R" * n))
    assert int((polls.good + polls.bad).sum()) == n


@settings(max_examples=60, deadline=None)
@given(
    gaps=st.lists(st.sampled_from([500_000, MS, 5 * MS, 900 * MS, S]), max_size=150),
    picks=st.lists(st.tuples(st.booleans(), st.booleans()), min_size=151, max_size=151),
    cuts=st.lists(st.integers(0, 151), max_size=20),
)
def test_polls_do_not_depend_on_how_the_traffic_is_cut(
    gaps: list[int], picks: list[tuple[bool, bool]], cuts: list[int]
) -> None:
    times = np.cumsum([0, *gaps]).tolist()
    reads = "".join("R" if read else "W" for read, _ in picks[: len(times)])
    bad = "".join("x" if missed else " " for _, missed in picks[: len(times)])
    rows = asked(times, reads, bad=bad)
    cutter = PollCutter()
    edges = [0, *sorted(min(c, len(rows)) for c in cuts), len(rows)]
    parts = [cutter.feed(rows.part(a, b)) for a, b in pairwise(edges)]
    pieces, whole = joined([*parts, cutter.finish()]), cut(rows)
    for name in Polls.__slots__:
        assert getattr(pieces, name).tolist() == getattr(whole, name).tolist()

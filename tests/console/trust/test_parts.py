"""The parts of the trust sheet one by one: counters, repeats, sentences, load, spans, limits."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from console.timeline.clocks import ClockMap, ClockPiece
from console.trust import print_trust
from console.trust.capture_trust import mode_of
from console.trust.clock_trust import clock_rows
from console.trust.counters import Counter, Hole, believed, holes
from console.trust.line_forms import Forms, heads_of
from console.trust.repeats import Repeat, repeats
from console.trust.sheet import MOST_OF_A_KIND, TrustRow, in_order, trust_frame
from console.trust.unobserved import Unobserved, away, unobserved

S = 10**9


def counter(values: list[int], name: str = "n", rows: list[int] | None = None) -> Counter:
    at = rows if rows is not None else list(range(len(values)))
    return Counter("cam", name, np.array(at, np.int64), np.array(values, np.int64))


def times(n: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.arange(n, dtype=np.int64) * S


@pytest.mark.parametrize(
    ("values", "counts"),
    [
        (list(range(12)), True),
        ([*range(6), *range(9, 20)], True),
        ([*range(250, 256), *range(12)], True),  # an 8-bit counter runs over
        ([3, 7, 4, 9, 1, 8, 3, 5, 2, 9, 4], False),
        ([k // 2 for k in range(30)], False),
        ([1, 2, 3], False),  # too few to say
    ],
)
def test_a_number_counts_when_nearly_all_steps_are_one(values: list[int], counts: bool) -> None:
    assert counter(values).counts() == counts


def test_a_rollover_is_no_hole() -> None:
    assert holes([counter([*range(250, 256), *range(12)])], times(18)) == []


def test_of_one_speaker_the_number_that_skips_least_is_believed() -> None:
    own, other = counter(list(range(20))), counter([*range(10), *range(12, 22)], "poll")
    assert believed([other, own]) == [own]


def test_a_hole_is_put_where_the_missing_would_have_come() -> None:
    # rows 0..9 are a second apart, but for 5 s between rows 4 and 5; odd rows are another's
    t_ns = times(10)
    t_ns[5:] += 4 * S
    found = holes([counter([0, 1, 2, 5, 6], rows=[0, 2, 4, 6, 8])], t_ns)
    assert found == [Hole(4, 5, 2, ("n",))]


def test_rows_that_are_there_twice_are_told_as_runs() -> None:
    stamp = np.array([1, 2, 3, 4, 2, 3, 4, 5], np.int64) * 1_000_001
    texts = pl.Series(["a", "b", "c", "d", "b", "c", "d", "e"])
    assert repeats(stamp, [texts]) == [Repeat(4, 6, 1)]


def test_equal_lines_of_one_coarse_stamp_are_no_repeats() -> None:
    stamp = np.array([1, 2, 2, 2, 3], np.int64) * S
    assert repeats(stamp, [pl.Series(["a", "b", "b", "b", "c"])]) == []


TEXTS = [f"cam: poll {k} seq {k} blocks 0" for k in range(20)] + ["wifi: connected"] * 4
TEXTS += ["mqtt: now disconnected"] * 4


@pytest.mark.parametrize(
    ("text", "is_stamped", "is_cut"),
    [
        ("cam: poll 7 seq", True, False),  # ends between words: maybe rarely said
        ("cam: poll 7 se", True, True),
        ("cam: poll 7 secks 0", True, True),
        ("cam: poll 7 se[ 500] I cam: poll 8 seq 8 blocks 0", True, True),
        ("wifi: disconnected", True, False),
        ("a sentence said once", True, False),
        ("oll 7 seq 7 blocks 0", False, True),
        ("  at 0x40001234 in main", False, False),
        ("cam: poll 7 seq 9 blocks 0", True, False),
    ],
)
def test_a_line_that_lost_a_part_is_told_from_one_rarely_said(
    text: str, is_stamped: bool, is_cut: bool
) -> None:
    texts = pl.Series([*TEXTS, text])
    stamped = np.append(np.ones(len(TEXTS), np.bool_), is_stamped)
    assert Forms(texts, stamped, ["[#] I "]).cut() == [len(TEXTS)] * is_cut


def test_free_text_has_no_cut_lines() -> None:
    texts = pl.Series([f"{'abcdefghij'[k % 10]}{k * 'x'} word" for k in range(50)])
    assert Forms(texts, np.ones(50, np.bool_), ["[#] "]).cut() == []


def test_heads_are_what_stands_before_the_texts() -> None:
    lines = [(f"[ {k}] I text", "text") for k in range(9)] + [("[9] W odd", "odd")]
    assert heads_of(lines) == ["[#] I "]


def test_ends_of_a_span_do_not_count_as_unobserved() -> None:
    spans = Unobserved.of([(10, 20), (15, 30), (50, 60)])
    begin, end = np.array([0, 5, 30, 19, 55]), np.array([10, 11, 50, 40, 56])
    assert spans.touches(begin, end).tolist() == [False, True, False, True, True]


def test_gaps_and_lost_messages_are_unobserved_and_doubts_are_not() -> None:
    rows = [
        TrustRow("a", 1, 2, "not-observed", "gap", ""),
        TrustRow("a", 5, 6, "damaged", "doubtful", ""),
        TrustRow("b", 7, 9, "lost", "doubtful", ""),
    ]
    found = unobserved(rows)
    assert {name: spans.from_ns.tolist() for name, spans in found.items()} == {"a": [1], "b": [7]}


def test_messages_that_are_missing_say_of_no_time_that_nothing_was_recorded() -> None:
    rows = [
        TrustRow("b", 7, 9, "lost", "doubtful", ""),
        TrustRow("b", 20, 30, "unreadable", "gap", ""),
    ]
    assert away(rows)["b"].from_ns.tolist() == [20]


def test_many_rows_of_one_kind_end_with_one_for_the_rest() -> None:
    rows = [TrustRow("a", k, k + 1, "damaged", "doubtful", "x") for k in range(1_000)]
    kept = in_order(rows)
    assert (len(kept), kept[-1].from_ns, kept[-1].until_ns) == (MOST_OF_A_KIND, 199, 1_000)
    assert kept[-1].what == "x, and 800 more like it"


def test_an_empty_sheet_has_its_columns() -> None:
    columns = ["source", "from_ns", "until_ns", "kind", "severity", "what", "value", "limit"]
    assert trust_frame([]).columns == [*columns, "unit"]


# UM10204 Rev. 7.0 table 11, fSCL
@pytest.mark.parametrize(
    ("clock_hz", "name"),
    [(10_000, "Standard-mode"), (100_000, "Standard-mode"), (400_000, "Fast-mode"),
     (390_000, "Fast-mode"), (1_000_000, "Fast-mode Plus"), (3_400_000, "Fast-mode Plus")],
)  # fmt: skip
def test_the_mode_is_told_from_the_clock_rate(clock_hz: float, name: str) -> None:
    assert mode_of(clock_hz).name == name


PIECE = ClockPiece("log", "host", 10, 90, 0, 0.0, 1_000, 5, 0, "equal-values", False)


@pytest.mark.parametrize(
    ("piece", "kinds"),
    [
        (PIECE, []),
        (ClockPiece("log", "host", 0, 0, 0, 0.0, None, 0, 0, "none", False), ["not-aligned"]),
        (ClockPiece("log", "host", 1, 9, 0, 0.0, 5, 9, 0, "equal-values", True), ["ambiguous"]),
        (ClockPiece("log", "host", 1, 9, 0, 0.0, S, 9, 0, "wall-clock", False), ["wide-band"]),
    ],
)
def test_a_clock_that_is_not_known_well_is_told(piece: ClockPiece, kinds: list[str]) -> None:
    assert [row.kind for row in clock_rows(ClockMap((piece,)))] == kinds


def test_a_long_log_s_counters_are_those_of_all_its_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    texts = pl.Series(
        f"cam: poll {k} us {k * 7919 % 97}" if k % 3 else f"seq {k // 3} of hop: n {k}"
        for k in range(3_000)
    )
    wanted = np.ones(3_000, np.bool_)
    wanted[100:200] = False
    every = {c.name: c for c in print_trust._counters(texts, wanted) if c.counts()}
    monkeypatch.setattr(print_trust, "_TASTED", 500)
    long = {c.name: c for c in print_trust._counters(texts, wanted)}
    assert sorted(long) == sorted(every) == ["seq"]
    assert long["seq"].rows.tolist() == every["seq"].rows.tolist()
    assert long["seq"].values.tolist() == every["seq"].values.tolist()

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.edges import Assumed, Edges
from decoders.captures.vcd_levels import MOST_ROWS, LevelState, Rows

Stretch = tuple[list[tuple[int, int]], int]


def stretches(blocks: list[Edges]) -> list[Stretch]:
    """Rows of each stretch, and until when it was observed."""
    found: list[Stretch] = []
    for block in blocks:
        rows = list(zip(block.t_ns.tolist(), block.levels.tolist(), strict=True))
        before = [] if block.begins else found.pop()[0]
        found.append((before + rows, block.until_ns))
    return found


def state(*, exponent: int = 0, strict: bool = False) -> LevelState:
    return LevelState(["scl", "sda"], exponent, strict, Assumed())


def at(levels: LevelState, raw: int, word: int, unknown: int = 0) -> None:
    """Go on to a time, and say what stands there."""
    if raw > levels.raw:
        levels.settle()
    levels.raw, levels.word, levels.unknown = raw, word, unknown


def test_only_the_last_word_of_a_time_counts_and_only_changes_make_rows() -> None:
    levels = state()
    for raw, word in [(0, 3), (5, 1), (5, 3), (7, 2), (9, 2), (11, 0)]:
        at(levels, raw, word)
    assert stretches(levels.finish()) == [([(0, 3), (7, 2), (11, 0)], 11)]


def test_nothing_is_observed_between_dumpoff_and_dumpon() -> None:
    levels = state()
    at(levels, 0, 3)
    at(levels, 10, 3)
    levels.off = levels.broken = True
    at(levels, 20, 1)
    levels.off, levels.broken = False, True
    at(levels, 30, 0)
    assert stretches(levels.finish()) == [([(0, 3)], 10), ([(20, 1), (30, 0)], 30)]


@pytest.mark.parametrize(
    ("strict", "expected"),
    [
        (False, [([(0, 3), (10, 2)], 20), ([(20, 0)], 20)]),  # sda came back low, unseen
        (True, [([(0, 3)], 10), ([(20, 0)], 20)]),
    ],
)
def test_an_unknown_line_keeps_its_level_or_closes_the_stretch(
    strict: bool, expected: list[Stretch]
) -> None:
    levels = state(strict=strict)
    at(levels, 0, 3)
    at(levels, 10, 2, unknown=2)
    at(levels, 20, 0)
    assert stretches(levels.finish()) == expected


def test_a_line_without_any_value_is_read_as_high_and_told() -> None:
    assumed = Assumed()
    levels = LevelState(["scl", "sda"], 0, False, assumed)
    at(levels, 0, 2, unknown=2)
    at(levels, 5, 3, unknown=2)
    assert levels.never() == ["sda"]
    assert stretches(levels.finish()) == [([(0, 2), (5, 3)], 5)]
    assert assumed.remarks == ["no level at all for 'sda': read as high"]


@settings(deadline=None)
@given(exponent=st.integers(-6, 11), raw=st.integers(0, 2**62))
def test_times_are_whole_ns_with_the_rest_cut_off(exponent: int, raw: int) -> None:
    levels = state(exponent=exponent)
    assert levels.ns(raw) == (raw * Fraction(10) ** exponent).__floor__()
    assert levels.ns(levels.latest) < 2**63 <= levels.ns(levels.latest + 1)


STEPS = st.lists(st.tuples(st.integers(1, 9), st.integers(0, 3)), min_size=1, max_size=20)


@settings(deadline=None)
@given(steps=STEPS, exponent=st.sampled_from([-3, -1, 0, 3]), base=st.sampled_from([0, 10**8]))
def test_steps_in_columns_are_what_they_are_one_by_one(
    steps: list[tuple[int, int]], exponent: int, base: int
) -> None:
    one_by_one, columns = state(exponent=exponent), state(exponent=exponent)
    raw = np.cumsum([step for step, _ in steps])
    words = np.array([word for _, word in steps], np.uint8)
    for levels in (one_by_one, columns):
        at(levels, 0, 3)
    for time, word in zip(raw.tolist(), words.tolist(), strict=True):
        at(one_by_one, base + time, word)
    columns.advance(base, raw, words)
    assert (columns.raw, columns.word) == (one_by_one.raw, one_by_one.word)
    assert stretches(columns.finish()) == stretches(one_by_one.finish())


def test_columns_are_for_stretches_in_which_all_is_known() -> None:
    levels, strict = state(), state(strict=True)
    assert not levels.plain
    for each in (levels, strict):
        at(each, 0, 3, unknown=2)
        each.settle()
    assert (levels.plain, strict.plain) == (True, False)
    levels.broken = True
    assert not levels.plain


@pytest.mark.parametrize("single", [True, False])
def test_a_stretch_may_span_blocks(single: bool) -> None:
    rows, count = Rows(1), MOST_ROWS + 5
    t_ns = np.arange(count)
    if single:
        for k in range(count):
            rows.add(k, k % 2)
    else:
        rows.extend(t_ns, (t_ns % 2).astype(np.uint8))
    rows.close(count)
    assert [len(block.t_ns) for block in rows.blocks] == [MOST_ROWS, 5]
    assert [block.begins for block in rows.blocks] == [True, False]
    assert np.concatenate([block.t_ns for block in rows.blocks]).tolist() == t_ns.tolist()

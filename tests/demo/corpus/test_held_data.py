"""SDA held low: where the transaction was left, and what a recovery did to it."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.demo.corpus.evidence import MILLI, bits, pair


@pytest.mark.parametrize("variant", [0, 1])
def test_orphaned_read_is_left_in_a_byte_of_the_part_and_no_clock_follows(variant: int) -> None:
    run, twin = pair("orphaned-read", variant)
    last = [row for row in run.rows() if row.start_ns <= run.wrong_ns][-1]
    assert (last.address, last.read, last.ended_by) == (run.address, True, "cut")
    assert bits(last) in range(1, 9)
    assert not run.level("sda", run.wrong_ns + 2 * MILLI)
    assert run.level("scl", run.wrong_ns + 2 * MILLI)
    assert twin.at_end() == "H/H"


def test_orphaned_read_ends_with_a_banner_in_most_variants() -> None:
    run, _ = pair("orphaned-read", 0)
    banners = run.prints("reset by", run.wrong_ns)
    assert [line.t_ns - run.wrong_ns < 100 * MILLI for line in banners] == [True]
    assert banners[0].tick < run.truth.prints[0].tick + 100_000


def test_zero_stream_is_clocked_on_with_sda_low_in_every_slot() -> None:
    run, twin = pair("zero-stream-orphan")
    burst = run.pulses("scl", high=False, from_ns=run.wrong_ns + 5 * MILLI)
    assert len(burst) >= 9 * 20
    assert len(burst) % 9 == 0
    assert len({pulse.width_ns // 200 for pulse in burst}) <= 2  # evenly spaced
    assert [run.level("sda", pulse.end_ns) for pulse in burst] == [False] * len(burst)
    assert run.at_end() == "L/H"
    assert twin.at_end() == "H/H"


@pytest.mark.parametrize("variant", [0, 3])  # in the address, in the register
def test_orphaned_acknowledge_is_a_write_left_in_the_ninth_clock(variant: int) -> None:
    run, _ = pair("orphaned-acknowledge", variant)
    last = [row for row in run.rows() if row.start_ns <= run.wrong_ns][-1]
    assert last.ended_by == "cut"
    assert bits(last) == 8
    assert not last.read
    assert run.at_end() == "L/H"


def test_hand_over_dips_on_both_lines_follow_each_burst() -> None:
    run, twin = pair("hand-over-dip")
    short = [
        (scl, sda)
        for scl in run.pulses("scl", high=False, from_ns=run.wrong_ns)
        for sda in run.pulses("sda", high=False, from_ns=run.wrong_ns, until_ns=scl.end_ns)
        if abs(scl.start_ns - sda.start_ns) < 1_000 and 100 <= scl.width_ns <= 2_000
    ]
    assert len(short) == 1  # the later ones fall into the hold of SDA
    dips = [p for p in run.pulses("scl", high=False, from_ns=run.wrong_ns) if p.width_ns < 1_500]
    assert len(dips) > 3
    every = run.pulses("scl", high=False, from_ns=run.wrong_ns)
    burst = [every.index(dip) for dip in dips]
    assert [b - a for a, b in pairwise(burst)] == [10] * (len(dips) - 1)  # nine clocks and a dip
    assert run.at_end() == "L/H"
    assert [p for p in twin.pulses("scl", high=False) if p.width_ns < 1_000] == []

"""SCL held low, stretched too long, or let up too shortly."""

from __future__ import annotations

import numpy as np
import pytest

from captures_demo.simulator.corpus.variant import variant_of
from tests.demo.corpus.evidence import MILLI, Seen, bits, pair, run_of


def test_recovery_clocks_slowly_into_a_stretch_that_would_have_ended() -> None:
    run, twin = pair("recovery-in-transaction")
    longest = max(twin.pulses("scl", high=False), key=lambda pulse: pulse.width_ns)
    assert 9 * MILLI <= longest.width_ns < 25 * MILLI  # legitimate: the twin goes on after it
    stretch = max(run.pulses("scl", high=False), key=lambda pulse: pulse.width_ns)
    assert stretch.start_ns < run.wrong_ns < stretch.end_ns < stretch.start_ns + 25 * MILLI
    until_ns = stretch.end_ns + MILLI
    pulses = run.pulses("scl", high=False, from_ns=stretch.end_ns, until_ns=until_ns)
    periods = np.diff([pulse.start_ns for pulse in pulses[:9]])
    assert periods.min() > 2 * variant_of("recovery-in-transaction", 0).bit_ns
    assert {row.address_acked for row in run.of_part(until_ns + 5 * MILLI)} == {False}


def test_clock_is_held_by_the_part_from_an_acknowledge_on() -> None:
    run, twin = pair("clock-held-by-target")
    last = run.rows()[-1]
    assert bits(last) == 0
    assert last.ended_by == "cut"
    assert [hold.by for hold in run.truth.holds] == [run.part["name"]]
    assert run.at_end() == "H/L"
    assert run.edges_after(run.wrong_ns + MILLI) <= 1  # SDA is let go, nothing else
    assert twin.at_end() == "H/H"


@pytest.mark.parametrize("variant", [0, 1, 6])  # each way once
def test_clock_is_held_by_the_controller_after_a_whole_byte(variant: int) -> None:
    run, twin = pair("clock-held-by-controller", variant)
    last = [row for row in run.rows() if row.start_ns < run.truth.holds[0].start_ns][-1]
    assert bits(last) == 0
    if "NACK" in run.label.note:
        assert not last.address_acked
    elif "length" in run.label.note:
        assert last.data == b"\0"
    else:
        assert len(last.data) in (8, 16)
        assert {len(row.data) for row in twin.reads()} == {len(last.data) + 4}
    hold = run.truth.holds[0]
    assert hold.by == "controller"
    assert not run.level("scl", hold.start_ns + 20 * MILLI)


def test_several_ways_of_the_clock_held_by_the_controller_are_in_the_corpus() -> None:
    notes = {run_of("clock-held-by-controller", variant).label.note for variant in (0, 1, 6)}
    assert len(notes) == 3


def test_stretch_creeps_up_to_the_limit_and_only_those_above_fail() -> None:
    run, twin = pair("stretch-creep")
    limit_ns = int(run.label.note.split()[-2]) * 1_000
    stretches = longest_lows(run)
    good = [width for at_ns, width in stretches if at_ns < run.wrong_ns]
    bad = [width for at_ns, width in stretches if at_ns >= run.wrong_ns]
    assert max(good) < limit_ns < min(bad)
    assert len(bad) > 20
    thirds = [float(np.median(part)) for part in np.array_split(good, 3)]
    assert thirds == sorted(thirds)
    assert thirds[2] > 2 * thirds[0]
    flat = [width for _, width in longest_lows(twin)]
    assert max(flat) < 1.2 * min(flat)


def longest_lows(seen: Seen) -> list[tuple[int, int]]:
    """Start and width of the LOWs of SCL that are stretched."""
    usual = float(np.median([pulse.width_ns for pulse in seen.pulses("scl", high=False)]))
    pulses = seen.pulses("scl", high=False)
    return [(p.start_ns, p.width_ns) for p in pulses if p.width_ns > 10 * usual]


def test_first_high_after_a_stretch_is_a_runt_and_the_part_is_one_behind() -> None:
    run, twin = pair("runt-after-stretch", 1)
    stretches = longest_lows(run)
    highs = {pulse.start_ns: pulse.width_ns for pulse in run.pulses("scl", high=True)}
    after = [highs[at_ns + width] for at_ns, width in stretches if at_ns + width in highs]
    runts = [width for width in after if width < 200]
    assert len(runts) > 20
    assert min(highs.values()) == min(runts)  # nowhere else
    assert {row.acks[:1] for row in run.of_part(run.wrong_ns)} == {"N"}
    twins = {pulse.start_ns: pulse.width_ns for pulse in twin.pulses("scl", high=True)}
    kept = [twins[at_ns + width] for at_ns, width in longest_lows(twin)]
    assert min(kept) > 500

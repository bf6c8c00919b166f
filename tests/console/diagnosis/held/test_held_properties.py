"""However a transfer is cut and a bus freed, what is told agrees with the simulator."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from captures_demo.simulator.cuts import Cut, CutTruth, Recovery, Transfer, played
from console.diagnosis.held.held import Held
from tests.console.diagnosis.held.cut_wires import ADDRESS, bits_to_send, seen

MILLI = 1_000_000
TRANSFERS = st.builds(
    Transfer,
    address=st.just(ADDRESS),
    read=st.booleans(),
    data=st.lists(st.sampled_from([0, 0xFF, 1, 0x80, 0x55, 0x36]), min_size=1, max_size=5).map(
        bytes
    ),
)
PLACES = st.one_of(st.integers(0, 200), st.sampled_from([8, 17, 26]))
RECOVERIES = st.builds(
    Recovery,
    clocks=st.integers(1, 20),
    until_high=st.booleans(),
    sda_low=st.booleans(),
    stop=st.booleans(),
    stop_in_each=st.booleans(),
    times=st.integers(1, 3),
    wait_ns=st.just(30 * MILLI),
)


def told(transfer: Transfer, place: int, recovery: Recovery) -> tuple[list[Held], CutTruth, int]:
    """What is held in the cut transaction, the truth, and after how many clocks it was cut."""
    clocks = place % len(transfer.pulls)
    run = played(transfer, Cut(clocks, at_high=bool(place & 1)), recovery)
    return seen(run).held(), run.truth, clocks


@settings(max_examples=150, deadline=None)
@given(transfer=TRANSFERS, place=PLACES, recovery=RECOVERIES)
def test_what_is_told_of_a_hold_agrees_with_the_truth(
    transfer: Transfer, place: int, recovery: Recovery
) -> None:
    holds, truth, clocks = told(transfer, place, recovery)
    assert bool(holds) == truth.held
    for held in holds[:1]:
        assert (held.byte, held.bit_slot) == divmod(clocks, 9)
        assert held.from_ns <= truth.left_ns < held.until_ns
        assert len(held.attempts) <= len(truth.clocks_given)
        assert held.attempts[0].clocks in (truth.clocks_given[0], truth.clocks_given[0] - 1)


@settings(max_examples=150, deadline=None)
@given(transfer=TRANSFERS, place=PLACES, recovery=RECOVERIES)
def test_a_register_that_recovery_changed_is_among_those_named(
    transfer: Transfer, place: int, recovery: Recovery
) -> None:
    holds, truth, _ = told(transfer, place, recovery)
    named = [pair for held in holds for each in held.attempts for pair in each.written]
    assert set(truth.written.items()) <= set(named)
    assert not (truth.written and not any(e.at_risk for h in holds for e in h.attempts))


@settings(max_examples=100, deadline=None)
@given(transfer=TRANSFERS, place=PLACES, clocks=st.integers(1, 20))
def test_clocks_with_sda_released_free_it_in_the_one_foretold(
    transfer: Transfer, place: int, clocks: int
) -> None:
    holds, truth, cut = told(transfer, place, Recovery(clocks=clocks, until_high=False, stop=False))
    for held in holds[:1]:
        needed = ([*bits_to_send(transfer, cut), 1]).index(1) + 1
        assert needed == truth.clocks_needed
        assert held.attempts[0].freed_at == (needed if clocks >= needed else 0)

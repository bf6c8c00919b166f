"""The simulator's truth against a plain decoder that knows only the wires."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from captures_demo.simulator import TRAFFIC_FAULTS, Run, random_traffic
from captures_demo.simulator.cap_line import cap_line
from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.clocks import Clock
from captures_demo.simulator.timing import FAST, FAST_PLUS, STANDARD, BusTiming

FILTER_NS = 50


@dataclass
class Seen:
    start_ns: int
    started_by: str
    end_ns: int = -1
    ended_by: str = "cut"
    bits: list[int] = field(default_factory=list)


def without_spikes(run: Run) -> list[tuple[int, int, int]]:
    """(time, scl, sda) of the changes, pulses of less than 50 ns taken out."""
    t_ns, levels, channels = run.edges()
    scl, sda = channels.index("scl"), channels.index("sda")
    rows: list[tuple[int, int, int]] = []
    for time, word in zip(t_ns.tolist(), levels.tolist(), strict=True):
        row = (time, word >> scl & 1, word >> sda & 1)
        if len(rows) > 1 and row[1:] == rows[-2][1:] and time - rows[-1][0] < FILTER_NS:
            rows.pop()
        elif not rows or row[1:] != rows[-1][1:]:
            rows.append(row)
    return rows


def decode(run: Run) -> list[Seen]:
    """UM10204 section 3.1.4 and 3.1.5, as plainly as it can be written."""
    seen: list[Seen] = []
    is_open, risen = False, None
    rows = without_spikes(run)
    for (_, scl_before, sda_before), (time, scl, sda) in pairwise(rows):
        if scl_before and scl and sda != sda_before:
            # a START inside a byte is one out of place
            word = "restart" if is_open and len(seen[-1].bits) % 9 == 0 else "start"
            if is_open:
                seen[-1].end_ns = time
                seen[-1].ended_by = "stop" if sda else word
            if not sda:
                seen.append(Seen(time, word))
            is_open, risen = not sda, None
        elif scl and not scl_before:
            risen = sda
        elif scl_before and not scl:
            if is_open and risen is not None:
                seen[-1].bits.append(risen)
            risen = None
    return seen


def as_rows(seen: list[Seen]) -> list[tuple[object, ...]]:
    """The ended ones; one that is open at the end of the run has no end in the truth either."""
    return [
        (s.start_ns, s.end_ns, s.started_by, s.ended_by, tuple(s.bits))
        for s in seen
        if s.ended_by != "cut"
    ]


def truth_rows(run: Run) -> list[tuple[object, ...]]:
    return [
        (
            run.capture_ns(row.start_ns),
            run.capture_ns(row.end_ns),
            row.started_by,
            row.ended_by,
            tuple(map(int, row.bits)),
        )
        for row in run.captured_transactions()
    ]


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    faults=st.lists(st.sampled_from(TRAFFIC_FAULTS), unique=True),
    timing=st.sampled_from([(STANDARD, 300), (STANDARD, 900), (FAST, 200), (FAST_PLUS, 80)]),
    jitter_ns=st.sampled_from([0, 40, 250]),
)
def test_truth_is_what_a_plain_decoder_reads_from_the_wires(
    seed: int, faults: list[str], timing: tuple[BusTiming, int], jitter_ns: int
) -> None:
    times, rise_ns = timing
    run = random_traffic(
        seed,
        faults=faults,
        acts=8,
        timing=times,
        rise_ns=rise_ns,
        jitter_ns=jitter_ns,
    )
    assert as_rows(decode(run)) == truth_rows(run)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32), rate_ppb=st.integers(-60_000, 60_000))
def test_truth_holds_in_a_sampled_capture_with_a_clock_of_its_own(seed: int, rate_ppb: int) -> None:
    clock = Clock("capture", native_ns=5_000_000, rate_ppb=rate_ppb)
    faults = [word for word in TRAFFIC_FAULTS if word != "spike"]
    run = random_traffic(seed, faults=faults, acts=8, sample_rate_hz=4_000_000, clock=clock)
    assert as_rows(decode(run)) == truth_rows(run)


@pytest.mark.parametrize("fault", TRAFFIC_FAULTS)
def test_each_fault_alone_is_in_the_truth_as_on_the_wires(fault: str) -> None:
    run = random_traffic(7, faults=[fault], acts=15)
    assert as_rows(decode(run)) == truth_rows(run)


def test_columns_of_the_truth_say_what_was_asked() -> None:
    run = random_traffic(3, faults=["data-nack"], acts=40)
    words = {(row.address, row.address_bits, row.read) for row in run.truth.transactions}
    assert {(0x2E, 7, False), (0x2E, 7, True), (0x2A5, 10, True), (0, 7, False)} <= words
    assert any("N" in row.acks and not row.read for row in run.truth.transactions)
    assert all(len(row.acks) == len(row.data) for row in run.truth.transactions)


def test_same_seed_gives_the_same_run() -> None:
    first, second = (random_traffic(11, faults=TRAFFIC_FAULTS, jitter_ns=90) for _ in range(2))
    assert np.array_equal(first.edges()[0], second.edges()[0])
    assert first.truth == second.truth
    assert not np.array_equal(first.edges()[0][:100], random_traffic(12).edges()[0][:100])


def test_unknown_fault_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown faults"):
        random_traffic(1, faults=["gremlin"])
    with pytest.raises(ValueError, match="spikes cannot be sampled"):
        random_traffic(1, faults=["spike"], sample_rate_hz=1_000_000)


def test_truth_of_the_cap_line_is_what_a_plain_decoder_reads_from_the_wires() -> None:
    run = cap_line(SHORT)
    assert as_rows(decode(run)) == truth_rows(run)

"""What is coupled into the wires: spikes, slow rises, bursts, crosstalk."""

from __future__ import annotations

import numpy as np

from tests.demo.corpus.evidence import MILLI, Seen, pair


def narrow(seen: Seen, line: str, below_ns: int) -> list[int]:
    """Starts of the pulses of a line that are narrower than that."""
    both = [pulse for high in (False, True) for pulse in seen.pulses(line, high=high)]
    return sorted(pulse.start_ns for pulse in both if pulse.width_ns < below_ns)


def test_slip_is_one_spike_on_scl_and_a_reply_that_is_not_the_usual_one() -> None:
    run, twin = pair("bit-slip", 1)
    spikes = narrow(run, "scl", 250)
    assert 1 <= len(spikes) <= 3
    assert spikes[0] == run.wrong_ns
    assert narrow(twin, "scl", 250) == []
    for at_ns in spikes:
        hit = [row for row in run.rows() if row.start_ns <= at_ns][-1]
        same = next(row for row in twin.rows() if row.start_ns == hit.start_ns)
        assert (hit.data, hit.acks) != (same.data, same.acks)
    assert {row.address_acked for row in run.of_part(spikes[-1] + 5 * MILLI)} == {False}


def test_slow_rises_shorten_the_high_and_no_address_is_spared() -> None:
    run, twin = pair("slow-edges")
    highs = [pulse.width_ns for pulse in run.pulses("scl", high=True, from_ns=run.wrong_ns)]
    before = [pulse.width_ns for pulse in run.pulses("scl", high=True, until_ns=run.wrong_ns)]
    assert np.median(highs) < 0.6 * np.median(before)
    unanswered = {row.address for row in run.rows(run.wrong_ns) if not row.address_acked}
    assert {device["address"] for device in run.bench["device"]} <= unanswered
    assert all(row.address_acked for row in twin.rows())


def test_bursts_come_a_fixed_time_after_commands_and_hit_both_lines() -> None:
    run, twin = pair("interference-burst", 1)
    lag_ms = int(run.label.note.split(", ")[1].split()[0])
    commands = [line.t_ns for line in run.prints("divert: command")]
    for line in ("scl", "sda"):
        spikes = [at_ns for at_ns in narrow(run, line, 450) if run.wrong_ns <= at_ns]
        assert len(spikes) > 50
        since = [at_ns - max(t for t in commands if t <= at_ns) for at_ns in spikes]
        assert min(since) >= lag_ms * MILLI
        assert max(since) < (lag_ms + 95) * MILLI
        assert narrow(twin, line, 450) == []
    assert {row.address_acked for row in run.of_part(run.run.end_ns - 400 * MILLI)} == {False}


def test_runts_of_scl_follow_falls_of_sda_within_100_ns() -> None:
    run, twin = pair("crosstalk")
    runts = narrow(run, "scl", 150)
    falls, levels = run.changes("sda")
    falls = falls[~levels]
    assert len(runts) > 40
    since = [at_ns - int(falls[np.searchsorted(falls, at_ns) - 1]) for at_ns in runts]
    assert max(since) <= 100
    assert narrow(twin, "scl", 150) == []

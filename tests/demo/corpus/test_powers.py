"""Supplies and connectors."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from captures_demo.simulator.ledger import TransactionTruth
from tests.demo.corpus.evidence import MILLI, pair


def test_after_a_dip_all_addresses_are_silent_and_come_back_each_in_its_own_time() -> None:
    run, twin = pair("supply-dip", 1)
    back = []
    for device in run.bench["device"]:
        rows = [row for row in run.rows(run.wrong_ns) if row.address == device["address"]]
        assert not rows[0].address_acked
        back.append(next((row.start_ns for row in rows if row.address_acked), run.run.end_ns))
    assert len(set(back)) == len(back)
    other = run.bench["device"][1]["address"]
    counts = [row.data[:2] for row in run.rows(run.wrong_ns) if row.address == other and row.read]
    assert int.from_bytes(counts[0], run.bench["device"][1]["packet"][-1]["field"][0]["order"]) == 1
    assert all(row.address_acked for row in twin.rows())


def test_both_lines_fall_within_ms_of_a_switch_that_is_printed() -> None:
    run, twin = pair("clamped-bus", 1)
    switched = [line for line in run.truth.prints if line.t_ns == run.wrong_ns]
    assert len(switched) == 1
    assert run.level("sda", run.wrong_ns - 1)
    assert not run.level("scl", run.wrong_ns + 3 * MILLI)
    assert not run.level("sda", run.wrong_ns + 3 * MILLI)
    assert run.at_end() == "L/L"
    assert twin.at_end() == "H/H"


def test_a_clamped_bus_is_free_again_when_the_supply_is_back() -> None:
    run, _ = pair("clamped-bus", 0)
    on = [line for line in run.truth.prints if line.text.endswith(("supply on", "aux -> 1"))]
    assert len(on) == 1
    assert run.level("scl", on[0].t_ns + 3 * MILLI)
    assert run.at_end() == "H/H"


def test_bounces_of_both_lines_are_followed_by_a_start_without_clocks() -> None:
    run, twin = pair("hot-insertion")
    bounced = int(run.label.note.split()[2])
    hold = run.truth.holds[0]
    assert (hold.line, hold.by) == ("sda", "connector")
    assert hold.end_ns - hold.start_ns >= 120 * MILLI
    scl, _ = run.changes("scl")
    assert not ((scl > hold.start_ns) & (scl < hold.end_ns)).any()
    short = run.pulses("sda", high=False, from_ns=run.wrong_ns, until_ns=hold.start_ns)
    clocks = run.pulses("scl", high=False, from_ns=run.wrong_ns, until_ns=hold.start_ns)
    assert len(short) == len(clocks) == bounced
    assert np.all([abs(a.start_ns - b.start_ns) < 10 for a, b in zip(short, clocks, strict=True)])
    nacks = [row for row in run.of_part(hold.end_ns) if not row.address_acked]
    assert len(nacks) >= 10
    assert twin.truth.holds == []


def test_after_its_restart_the_part_has_the_value_at_reset_in_its_configuration() -> None:
    run, twin = pair("config-amnesia")
    config = run.bench["device"][0]["packet"][1]["register"]
    for seen, until_ns in ((run, run.wrong_ns), (twin, run.run.end_ns)):
        canaries = [row.data for row in canary(seen.of_part(0, until_ns), config)]
        assert set(canaries) == {b"\xa5"}
    assert {row.data for row in canary(run.of_part(run.wrong_ns), config)} == {b"\0"}
    setups = [row for row in run.of_part() if row.data[:1] == bytes([config]) and not row.read]
    written = [row for row in setups if len(row.data) > 1]
    assert len(written) == 1
    assert written[0].start_ns < run.wrong_ns
    assert all(row.address_acked for row in run.of_part(run.wrong_ns))


def canary(rows: list[TransactionTruth], register: int) -> list[TransactionTruth]:
    """The reads that follow a write of that register."""
    return [b for a, b in pairwise(rows) if a.data == bytes([register])]

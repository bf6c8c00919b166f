"""The board's bus peripheral and its driver."""

from __future__ import annotations

import pytest

from tests.demo.corpus.evidence import MILLI, Seen, bits, pair


def complains_without_an_edge(run: Seen, from_ns: int) -> bool:
    """Face three: free lines, no edges, and the firmware says so at its usual rate."""
    bad = [line for line in run.truth.prints if line.level == "W" and line.t_ns > from_ns]
    return run.at_end() == "H/H" and run.edges_after(from_ns) == 0 and len(bad) >= 20


def test_phantom_busy_follows_a_dip_of_sda_without_clocks() -> None:
    run, twin = pair("phantom-busy")
    dips = run.pulses("sda", high=False, from_ns=run.wrong_ns)
    assert [dip.start_ns for dip in dips] == [run.wrong_ns]
    assert 2_000 <= dips[0].width_ns < 45_000
    clocks, _ = run.changes("scl")
    assert clocks.max() < run.wrong_ns
    assert complains_without_an_edge(run, dips[0].end_ns)
    assert twin.edges_after(run.wrong_ns) > 1_000


def test_spurious_abort_cuts_every_transfer_without_nack_hold_or_stop() -> None:
    run, twin = pair("spurious-abort", 1)
    cut = run.of_part(run.wrong_ns)
    assert len(cut) >= 20
    assert {row.ended_by for row in cut} <= {"start", "restart", "cut"}
    assert all(row.address_acked and "N" not in row.acks for row in cut)
    assert all(pulse.width_ns < MILLI for pulse in run.pulses("sda", high=False))
    assert {row.ended_by for row in twin.of_part()} == {"restart", "stop"} or {
        row.ended_by for row in twin.of_part()
    } == {"stop"}


@pytest.mark.parametrize("variant", [0, 2])  # late STOP, none
def test_nack_trap_ends_with_a_nack_and_a_missing_or_late_stop(variant: int) -> None:
    run, twin = pair("nack-trap", variant)
    last = run.rows()[-1]
    assert last.address == run.address
    assert not last.address_acked or last.acks == "N"
    late = last.end_ns - run.wrong_ns if last.ended_by == "stop" else 3 * MILLI
    assert late >= 3 * MILLI
    assert complains_without_an_edge(run, run.wrong_ns + 35 * MILLI)
    assert all(row.address_acked for row in twin.rows())


@pytest.mark.parametrize("variant", [0, 1, 3])  # each way once
def test_wrong_transaction_is_of_a_shape_that_never_was_before(variant: int) -> None:
    run, twin = pair("wrong-transaction", variant)

    def shapes(seen: Seen, until_ns: int) -> set[tuple[bool, int, bytes]]:
        rows = seen.of_part(0, until_ns)
        return {(row.read, len(row.data), b"" if row.read else row.data[:1]) for row in rows}

    odd = next(row for row in run.of_part(run.wrong_ns - 1))
    usual = shapes(twin, twin.run.end_ns)
    assert (odd.read, len(odd.data), odd.data[:1]) not in usual
    assert shapes(run, run.wrong_ns) <= usual
    after = [row for row in run.of_part(odd.end_ns + MILLI) if not row.read]
    assert len(after) >= 20
    assert not any(row.address_acked for row in after)


def test_data_decides_which_replies_have_a_stop_in_the_ninth_clock() -> None:
    run, twin = pair("data-dependent-corruption")
    for row, whole in zip(run.reads(), twin.reads(), strict=True):
        # not the last byte, which is not acknowledged
        hit = next((at for at, byte in enumerate(whole.data[:-1]) if byte & 0x80), None)
        assert (bits(row) != 0) == (hit is not None)
        assert row.data == (whole.data if hit is None else whole.data[:hit])
    assert sum(bits(row) != 0 for row in run.reads()) >= 20
    assert all(bits(row) == 0 for row in run.reads(0, run.wrong_ns - MILLI))
    others = [row for row in run.rows() if row.address != run.address]
    assert all(bits(row) == 0 for row in others)


def test_reads_stop_at_the_cap_while_the_buffer_that_is_printed_is_longer() -> None:
    run, twin = pair("length-cap")
    cap = int(run.label.note.split()[-1])
    wanted = int(run.label.note.split()[2])
    assert {len(row.data) for row in run.reads(run.wrong_ns)} == {cap}
    assert {row.acks[-1] for row in run.reads(run.wrong_ns)} == {"N"}
    assert {len(row.data) for row in twin.reads(run.wrong_ns)} == {wanted}
    buffers = [line.text.split()[-1] for line in run.prints(f"{wanted} bytes", run.wrong_ns)]
    assert len(buffers) >= 20
    assert all(text.endswith("ff" * (wanted - cap)) for text in buffers)
    assert all(len(text) == 2 * wanted for text in buffers)


def test_joint_changes_from_repeated_start_to_stop_and_the_reply_with_it() -> None:
    run, twin = pair("joint-error")
    assert {row.started_by for row in run.reads(0, run.wrong_ns)} == {"restart"}
    assert {row.started_by for row in run.reads(run.wrong_ns)} == {"start"}
    assert len({row.data[:2] for row in run.reads(run.wrong_ns)}) == 1
    assert {row.started_by for row in twin.reads()} == {"restart"}


@pytest.mark.parametrize("variant", [0, 1])
def test_two_addresses_at_once_are_their_and(variant: int) -> None:
    run, twin = pair("second-controller", variant)
    first, second = (device["address"] for device in run.bench["device"][:2])
    collided = [
        row
        for row in run.rows(run.wrong_ns)
        if row.address not in {device["address"] for device in run.bench["device"]}
    ]
    assert len(collided) >= 20
    for row in collided:
        seen = sum(bit << (7 - at) for at, bit in enumerate(row.bits[:8])) >> 1
        mask = 0x7F if len(row.bits) >= 8 else 0x7F & ~((1 << (7 - len(row.bits))) - 1)
        assert seen == first & second & mask
    assert run.of_part(run.wrong_ns) == []
    assert {row.address for row in twin.rows()} == {d["address"] for d in run.bench["device"]}


def test_a_scan_of_rising_addresses_without_data_passes_the_part_before_it_falls_silent() -> None:
    run, twin = pair("probe-damage")
    scan = [row for row in run.rows(run.wrong_ns - 1) if row.data == b""][:60]
    addresses = [row.address for row in scan]
    assert addresses[:60] == list(range(addresses[0], addresses[0] + 60))
    assert run.address in range(addresses[0], 0x71)
    later = run.of_part(run.wrong_ns + 200 * MILLI)
    assert len(later) >= 15
    assert not any(row.address_acked for row in later)
    assert all(row.address_acked and row.data for row in twin.rows())

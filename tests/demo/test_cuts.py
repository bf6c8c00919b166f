"""Transfers left at any clock: what the simulator says of them, held against the standard by hand.

Clocks are counted as UM10204 section 3.1.16 gives them: SDA released, until SDA is high.
"""

from __future__ import annotations

from typing import Any

import pytest

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.controller import Controller
from captures_demo.simulator.cuts import (
    BLIND_NINE,
    BLIND_NINE_LOW,
    Cut,
    Recovery,
    Transfer,
    cut_transfer,
    forced_low,
    incomplete_address_phase,
    incomplete_write_byte,
    lost_arbitration,
    played,
    reset_during,
)
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.lines import Trace
from captures_demo.simulator.schedule import Program, Schedule

ADDRESS = 0x54
MILLI = 1_000_000


def needed(transfer: Transfer, *, at_high: bool = False) -> list[int]:
    """Clocks needed after a cut at each clock of the transfer; 0 where SDA was not held."""
    cuts = [Cut(at, at_high) for at in range(len(transfer.pulls))]
    return [played(transfer, cut).truth.clocks_needed for cut in cuts]


@pytest.mark.parametrize("at_high", [False, True])
def test_a_read_of_zeros_is_let_go_in_its_acknowledge(at_high: bool) -> None:
    address, byte = [0] * 8 + [9], [8, 7, 6, 5, 4, 3, 2, 1, 0]
    zeros = Transfer(ADDRESS, read=True, data=bytes(2))
    assert needed(zeros, at_high=at_high) == address + byte * 2


def test_a_read_of_ones_is_held_in_no_bit() -> None:
    ones = Transfer(ADDRESS, read=True, data=b"\xff\xff")
    assert needed(ones) == [0] * 8 + [1] + [0] * 18


def test_a_read_is_let_go_at_the_next_one() -> None:
    # 1001 0110: behind the acknowledge of the address its first 1 comes at once
    read = Transfer(ADDRESS, read=True, data=b"\x96")
    assert needed(read) == [0] * 8 + [1] + [0, 2, 1, 0, 1, 0, 0, 1, 0]


@pytest.mark.parametrize("data", [b"\x00\x00", b"\xff\xff", b"\x10\xa5"])
def test_a_write_is_held_in_its_acknowledges_only_and_for_one_clock(data: bytes) -> None:
    assert needed(Transfer(ADDRESS, read=False, data=data)) == ([0] * 8 + [1]) * 3


def test_both_address_bytes_of_ten_bits_are_acknowledged() -> None:
    wide = Transfer(0x2A5, read=False, data=b"\x10", ten_bit=True)
    assert needed(wide) == ([0] * 8 + [1]) * 3


def test_clocks_are_counted_from_the_repeated_start() -> None:
    read = Transfer(ADDRESS, read=True, data=b"\x00", request=b"\x10")
    assert needed(read) == [0] * 8 + [9] + [8, 7, 6, 5, 4, 3, 2, 1, 0]


def test_the_ledger_has_the_cut_transfer_with_the_clocks_that_were_given() -> None:
    run = played(Transfer(ADDRESS, read=True, data=bytes(2)), Cut(12))
    assert len(run.transactions) == 1
    assert len(run.transactions[0].bits) == 12 + 1 + 5
    assert run.transactions[0].ended_by == "stop"


def test_a_stop_in_a_zero_of_the_target_is_tried_again_behind_it() -> None:
    # 0010 0000 cut in its first bit: SDA rises in the third, and a STOP meets the fourth, a 0
    truth = played(Transfer(ADDRESS, read=True, data=b"\x20"), Cut(9)).truth
    assert (truth.clocks_needed, truth.clocks_given, truth.freed) == (2, (8,), True)


# --- the reference list: the kernel's document "I2C fault injection"


def test_incomplete_address_phase_holds_sda_until_clocked() -> None:
    truth = played(*incomplete_address_phase(ADDRESS)).truth
    assert (truth.held, truth.clocks_needed, truth.freed) == (True, 9, True)


def test_incomplete_write_byte_is_freed_by_one_clock_and_writes_nothing() -> None:
    truth = played(*incomplete_write_byte(ADDRESS, 0x20)).truth
    assert (truth.clocks_needed, truth.clocks_given, truth.written) == (1, (1,), {})


def test_nine_blind_clocks_after_incomplete_write_byte_write_to_the_register() -> None:
    truth = played(*incomplete_write_byte(ADDRESS, 0x20), BLIND_NINE).truth
    assert (truth.written, truth.freed) == ({0x20: 0xFF}, False)


def test_blind_clocks_with_sda_pulled_low_never_free_a_row_of_zeros() -> None:
    zeros = Transfer(ADDRESS, read=True, data=bytes(8))
    low = Recovery(until_high=False, sda_low=True, times=3)
    truth = played(zeros, Cut(12), low).truth
    assert (truth.clocks_needed, truth.clocks_given, truth.freed) == (5, (9, 9, 9), False)


def test_blind_clocks_with_sda_released_free_a_row_of_zeros() -> None:
    zeros = Transfer(ADDRESS, read=True, data=bytes(8))
    assert played(zeros, Cut(12), BLIND_NINE).truth.freed


def test_the_recovery_alone_decides_what_is_freed() -> None:
    zeros = Transfer(ADDRESS, read=True, data=bytes(8))
    both = [played(zeros, Cut(12), how).truth for how in (BLIND_NINE, BLIND_NINE_LOW)]
    assert [truth.freed for truth in both] == [True, False]
    assert [truth.clocks_needed for truth in both] == [5, 5]


def test_a_reset_comes_at_any_clock_of_the_transfer() -> None:
    transfer = Transfer(ADDRESS, read=True, data=bytes(2))
    dice = Dice(1, "reset")
    cuts = {reset_during(transfer, dice) for _ in range(600)}
    assert {cut.clocks for cut in cuts} == set(range(27))
    assert {cut.at_high for cut in cuts} == {False, True}


class Wires:
    """A bus without targets."""

    def __init__(self) -> None:
        self.schedule = Schedule()
        self.bus = Bus(self.schedule, Trace())
        self.controller = Controller(self.bus)

    def done(self, program: Program[Any]) -> Any:
        task = self.schedule.start(program)
        self.schedule.run_out()
        self.bus.ledger.finish()
        return task.result


def test_lost_arbitration_corrupts_the_address_and_leaves_sda_low_for_its_time() -> None:
    wires = Wires()
    assert wires.done(lost_arbitration(wires.controller, 0x5F, after=3, low_ns=MILLI))
    (hold,) = wires.bus.holds
    assert (hold.line, hold.by) == ("sda", "another")
    assert hold.end_ns - hold.start_ns > MILLI
    (transaction,) = wires.bus.ledger.transactions
    assert transaction.ended_by == "stop"
    assert transaction.bits == [True, False, True]  # and the clock that was lost ended in a STOP


def test_arbitration_is_not_lost_where_the_controller_sends_no_one() -> None:
    wires = Wires()
    assert not wires.done(lost_arbitration(wires.controller, 0x00, after=0, low_ns=MILLI))
    assert wires.bus.holds == []


def test_a_line_is_forced_low_for_its_time() -> None:
    wires = Wires()
    wires.done(forced_low(wires.bus, wires.bus.scl, 3 * MILLI))
    (hold,) = wires.bus.holds
    assert (hold.line, hold.end_ns - hold.start_ns, wires.bus.scl.high) == ("scl", 3 * MILLI, True)


def test_a_cut_past_the_end_leaves_after_the_last_clock() -> None:
    wires = Wires()
    transfer = Transfer(ADDRESS, read=False, data=b"")
    wires.done(cut_transfer(wires.controller, transfer, Cut(9, at_high=True)))
    (transaction,) = wires.bus.ledger.transactions
    assert (len(transaction.bits), transaction.ended_by) == (9, "cut")

"""What is told of a held line: where, whose turn, what was tried and with what result."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.controller import Controller, length_of
from captures_demo.simulator.cuts import (
    BLIND_NINE,
    BLIND_NINE_LOW,
    COUNTING,
    STOP_IN_EACH,
    UNTIL_HIGH,
    Cut,
    Recovery,
    Transfer,
    incomplete_address_phase,
    incomplete_write_byte,
    lost_arbitration,
)
from captures_demo.simulator.devices import RegisterFile
from captures_demo.simulator.lines import Trace
from captures_demo.simulator.manners import HoldsClock, HoldsData
from captures_demo.simulator.schedule import Program, Schedule
from console.diagnosis.held.attempts import Attempt
from console.diagnosis.held.held import Held
from console.diagnosis.scene import Levels
from tests.console.diagnosis.held.cut_wires import ADDRESS, Seen, seen_cut, seen_wire

MILLI = 1_000_000
ZEROS = Transfer(ADDRESS, read=True, data=bytes(8))
REGISTER_WRITE = Transfer(ADDRESS, read=False, data=b"\x20\xaa\xbb")


def only(seen: Seen, *, wire: bool = True) -> Held:
    (held,) = seen.held(wire=wire)
    return held


def attempt_of(transfer: Transfer, cut: Cut, recovery: Recovery) -> Attempt:
    (attempt,) = only(seen_cut(transfer, cut, recovery)).attempts
    return attempt


class Wires:
    """A controller and a register file of zeros."""

    def __init__(self) -> None:
        self.schedule, self.trace = Schedule(), Trace()
        self.bus = Bus(self.schedule, self.trace)
        self.controller = Controller(self.bus)
        self.target = RegisterFile(self.bus, "memory", ADDRESS)

    def seen(self, program: Program[object]) -> Seen:
        self.schedule.start(program)
        self.schedule.run(400 * MILLI)
        return seen_wire(self.trace, self.schedule.now_ns)


# --- where


def test_a_read_cut_in_its_data_is_told_to_the_bit() -> None:
    held = only(seen_cut(Transfer(ADDRESS, True, b"\xa5\x4f"), Cut(20, at_high=True)))
    assert (held.line, held.address, held.read) == ("sda", ADDRESS, True)
    assert (held.byte, held.bit_slot, held.phase, held.turn) == (2, 2, "data", "target")
    assert held.standing is not None
    assert held.standing.value_words == "010?????"
    assert held.standing.data == b"\xa5"


def test_incomplete_address_phase_stands_in_the_acknowledge_of_the_address() -> None:
    held = only(seen_cut(*incomplete_address_phase(ADDRESS)))
    assert (held.byte, held.bit_slot, held.phase, held.read) == (0, 8, "acknowledge", True)
    assert held.could_write is None


def test_incomplete_write_byte_says_which_register_more_clocks_could_write() -> None:
    held = only(seen_cut(*incomplete_write_byte(ADDRESS, 0x20)))
    assert (held.byte, held.bit_slot, held.phase, held.read) == (1, 8, "acknowledge", False)
    assert held.clocks_to_free is not None
    assert held.clocks_to_free.words == "exactly 1 clock"
    assert held.could_write is not None
    assert (held.could_write.register, held.could_write.from_clock) == (0x20, 8)


@pytest.mark.parametrize(("clocks", "register"), [(8, None), (17, 0x20), (26, 0x21), (35, 0x22)])
def test_the_register_at_risk_counts_up_with_the_bytes_taken(
    clocks: int, register: int | None
) -> None:
    transfer = Transfer(ADDRESS, read=False, data=b"\x20\xaa\xbb")
    held = only(seen_cut(transfer, Cut(clocks)))
    assert held.could_write is not None
    assert held.could_write.register == register


def test_a_ten_bit_write_cut_in_its_address_puts_no_register_at_risk() -> None:
    held = only(seen_cut(Transfer(0x2A5, False, b"\x20", ten_bit=True), Cut(8)))
    assert held.could_write is not None
    assert held.could_write.register is None
    assert "second address byte" in held.could_write.words


def test_the_hold_lasts_from_its_last_edge_until_sda_rises() -> None:
    seen = seen_cut(ZEROS, Cut(12, at_high=True))
    held = only(seen)
    row = seen.held_rows[0]
    assert held.from_ns == row["start_ns"]
    t_ns, sda = seen.levels.t_ns, seen.levels.sda
    rose = t_ns[np.flatnonzero(sda[1:] & ~sda[:-1]) + 1]
    assert held.until_ns == rose[rose > row["end_ns"]][0]
    assert held.let_go == "clocks"


def test_without_the_wire_the_slot_and_the_turn_are_those_of_the_decoder() -> None:
    for transfer in (ZEROS, REGISTER_WRITE):
        for clocks in range(8, len(transfer.pulls)):
            seen = seen_cut(transfer, Cut(clocks))
            if not seen.held_rows:
                continue
            wired, bare = seen.first(), seen.first(wire=False)
            assert (bare.bit_slot, bare.turn) == (wired.bit_slot, wired.turn)
            assert bare.standing is not None
            assert bare.standing.known_from == "transactions"
            assert bare.attempts == ()


def test_without_the_wire_a_hold_to_the_end_has_its_byte_and_range() -> None:
    seen = seen_cut(ZEROS, Cut(22), Recovery(clocks=0))
    held = only(seen, wire=False)
    assert (held.address, held.byte, held.bit_slot, held.phase) == (ADDRESS, 2, 4, "data")
    assert held.clocks_to_free is not None
    assert (held.clocks_to_free.least, held.clocks_to_free.most) == (1, 4)
    assert held.let_go == ""


def test_without_the_wire_a_held_write_names_the_register_its_bytes_tell() -> None:
    held = only(seen_cut(REGISTER_WRITE, Cut(26), Recovery(clocks=0)), wire=False)
    assert held.could_write is not None
    assert held.could_write.register == 0x21


def test_without_the_wire_a_held_clock_was_freed_by_no_clock() -> None:
    wires = Wires()
    wires.target.manner = HoldsClock(30 * MILLI, 2)
    wires.controller.stretch_limit_ns = 50 * MILLI
    held = only(wires.seen(wires.controller.read(ADDRESS, length_of(5))), wire=False)
    assert (held.line, held.let_go) == ("both", "by itself")


def low_outside(*, then_ns: int) -> Seen:
    """SDA falls on an idle bus, while SCL is low for once, is held, then high until the end."""
    trace = Trace()
    scl, sda = trace.add("scl"), trace.add("sda")
    idle_ns, end_ns = 40 * MILLI, 100 * MILLI
    for t_ns, line in ((idle_ns, scl), (idle_ns + 1_000, sda), (idle_ns + 2_000, scl)):
        trace.note(t_ns, line)
    trace.note(end_ns, sda)
    return seen_wire(trace, end_ns + then_ns)


def test_without_the_wire_a_line_that_rose_was_not_held_to_the_end() -> None:
    held = only(low_outside(then_ns=40 * MILLI), wire=False)
    assert (held.until_ns, held.let_go) == (100 * MILLI, "not known")


def test_without_the_wire_a_line_that_is_low_at_the_end_is_not_let_go() -> None:
    assert only(low_outside(then_ns=0), wire=False).let_go == ""


def test_without_the_wire_nothing_is_said_of_clocks_to_free_it() -> None:
    held = only(low_outside(then_ns=40 * MILLI), wire=False)
    assert not any("clocks were given" in words for words in held.words)


def test_the_address_bits_hold_nothing() -> None:
    assert [seen_cut(ZEROS, Cut(clocks)).held() for clocks in range(8)] == [[]] * 8


# --- turns that a target in step does not have


def test_sda_pulled_in_an_address_is_not_foretold() -> None:
    wires = Wires()
    seen = wires.seen(lost_arbitration(wires.controller, 0x5F, after=3, low_ns=40 * MILLI))
    held = only(seen)
    assert (held.bit_slot, held.phase, held.turn) == (3, "address", "controller")
    assert held.clocks_to_free is None
    assert held.let_go == "by itself"
    assert any("no reason to hold SDA" in words for words in held.words)


def test_a_start_without_clocks_has_no_slot() -> None:
    wires = Wires()

    def grounded() -> Program[None]:
        yield MILLI
        driver = wires.bus.driver()
        hold = wires.bus.hold(wires.bus.sda, driver, "connector")
        yield 40 * MILLI
        wires.bus.let_go(hold, driver)

    held = only(wires.seen(grounded()))
    assert (held.bit_slot, held.clocks_to_free, held.let_go) == (None, None, "by itself")
    assert "a START on that no clock followed" in held.words[0]


def test_a_target_that_never_lets_go_is_out_of_the_prediction() -> None:
    wires = Wires()
    wires.target.manner = HoldsData(2, 3)

    def story() -> Program[None]:
        yield from wires.controller.read(ADDRESS, length_of(5))
        yield 40 * MILLI
        yield from wires.controller.clear_bus()
        yield 40 * MILLI
        wires.target.power_cycle()
        yield 40 * MILLI

    held = only(wires.seen(story()))
    assert held.clocks_to_free is not None
    assert held.attempts[-1].clocks >= held.clocks_to_free.most
    assert held.attempts[-1].ended == "low"
    assert held.let_go == "by itself"


@pytest.mark.parametrize("done", [0, 2])
def test_a_held_clock_can_be_freed_by_its_holder_alone(done: int) -> None:
    wires = Wires()
    wires.target.manner = HoldsClock(60 * MILLI, done)
    held = wires.seen(wires.controller.read(ADDRESS, length_of(5))).held()[0]
    assert (held.line, held.let_go, held.until_ns - held.from_ns) == (
        "both",
        "by itself",
        60 * MILLI + 300,
    )
    assert (held.bit_slot, held.clocks_to_free, held.attempts) == (0, None, ())
    assert any("only its holder can let go" in words for words in held.words)


def test_a_held_clock_that_is_let_go_too_late_leaves_sda_held() -> None:
    wires = Wires()
    wires.target.manner = HoldsClock(60 * MILLI, 2)
    seen = wires.seen(wires.controller.read(ADDRESS, length_of(5)))
    assert [(held.line, held.byte, held.bit_slot) for held in seen.held()] == [
        ("both", 3, 0),
        ("sda", 3, 0),
    ]


def test_each_stretch_of_one_transaction_is_a_hold_of_its_own() -> None:
    wires = Wires()

    class Twice(HoldsClock):
        def clock_hold_ns(self, done: int) -> int | None:
            return 30 * MILLI if done in (0, 1) else 0

    wires.target.manner = Twice(None)
    wires.controller.stretch_limit_ns = 50 * MILLI
    seen = wires.seen(wires.controller.read(ADDRESS, length_of(3)))
    assert [(held.line, held.byte, held.let_go) for held in seen.held()] == [
        ("both", 1, "by itself"),
        ("both", 2, "by itself"),
    ]


def test_a_clock_held_to_the_end_is_not_let_go() -> None:
    wires = Wires()
    wires.target.manner = HoldsClock(None, 1)
    held = only(wires.seen(wires.controller.read(ADDRESS, length_of(3))))
    assert (held.line, held.let_go) == ("both", "")


# --- what was tried


def test_clocks_until_high_are_enough_and_no_more() -> None:
    attempt = attempt_of(ZEROS, Cut(12), UNTIL_HIGH)
    assert (attempt.clocks, attempt.freed_at, attempt.ended) == (5, 5, "stop")
    assert (attempt.enough, attempt.released, attempt.beyond) == (True, True, 0)


def test_a_burst_without_stop_is_told_so() -> None:
    attempt = attempt_of(ZEROS, Cut(12), COUNTING)
    assert (attempt.clocks, attempt.ended, attempt.freed) == (5, "high", True)


def test_too_few_clocks_are_told_so() -> None:
    held = only(seen_cut(ZEROS, Cut(9), Recovery(clocks=3)))
    (attempt,) = held.attempts
    assert (attempt.clocks, attempt.enough, attempt.ended) == (3, False, "low")
    assert held.let_go == ""


def test_tries_in_a_row_are_one_hold_with_each_try() -> None:
    held = only(seen_cut(ZEROS, Cut(9), Recovery(clocks=3, times=4)))
    assert [attempt.clocks for attempt in held.attempts] == [3, 3, 2]
    assert [attempt.ended for attempt in held.attempts] == ["low", "low", "stop"]
    assert (held.let_go, held.clocks_needed, held.as_predicted) == ("clocks", 8, True)


def test_a_stop_in_each_clock_frees_it_with_the_clock_of_the_stop() -> None:
    held = only(seen_cut(ZEROS, Cut(12), STOP_IN_EACH))
    (attempt,) = held.attempts
    assert (attempt.clocks, attempt.freed_at, attempt.ended) == (4, 0, "stop")
    assert held.let_go == "stop"


def test_nine_blind_clocks_on_a_write_name_the_register_they_wrote() -> None:
    for clocks in (17, 26):
        seen = seen_cut(REGISTER_WRITE, Cut(clocks), BLIND_NINE)
        assert seen.truth is not None
        (attempt,) = only(seen).attempts
        assert dict(attempt.written) == seen.truth.written
        assert seen.truth.written == {0x20 + clocks // 9 - 1: 0xFF}
        assert (attempt.at_risk, attempt.beyond, attempt.ended) == (True, 8, "low")


def test_blind_clocks_on_the_address_of_a_write_set_the_register_and_then_write() -> None:
    twice = Recovery(until_high=False, clocks=18)
    seen = seen_cut(REGISTER_WRITE, Cut(8), twice)
    (attempt,) = only(seen).attempts
    assert attempt.written == ((None, 0xFF), (0xFF, 0xFF))
    assert seen.truth is not None
    assert seen.truth.written == {0xFF: 0xFF}


def test_one_clock_on_a_write_puts_nothing_at_risk() -> None:
    attempt = attempt_of(REGISTER_WRITE, Cut(17), UNTIL_HIGH)
    assert (attempt.clocks, attempt.at_risk, attempt.written) == (1, False, ())


def test_a_few_clocks_too_many_on_a_write_are_flagged() -> None:
    attempt = attempt_of(REGISTER_WRITE, Cut(17), Recovery(clocks=4, until_high=False))
    assert (attempt.beyond, attempt.at_risk, attempt.written) == (3, True, ())


def test_a_row_of_zeros_clocked_with_sda_low_is_recognised() -> None:
    low = Recovery(until_high=False, sda_low=True, times=3)
    held = only(seen_cut(ZEROS, Cut(12), low))
    assert [attempt.clocks for attempt in held.attempts] == [9, 9, 9]
    assert [attempt.is_zero_stream for attempt in held.attempts] == [True] * 3
    assert held.is_zero_stream
    assert any(words.startswith("Tries 1 to 3: 9 clocks") for words in held.words)


@pytest.mark.parametrize("recovery", [UNTIL_HIGH, BLIND_NINE, STOP_IN_EACH])
def test_a_row_of_zeros_that_clocks_freed_is_none_of_these(recovery: Recovery) -> None:
    assert not only(seen_cut(ZEROS, Cut(12), recovery)).is_zero_stream


def test_clocks_that_sda_low_made_needless_prove_nothing() -> None:
    low = Recovery(until_high=False, sda_low=True)
    held = only(seen_cut(ZEROS, Cut(12), low))
    assert (held.clocks_needed, held.as_predicted) == (None, None)


def with_a_false_clock(seen: Seen) -> Seen:
    """The same with a pulse in the HIGH of its 13th clock that the target did not count."""
    was = seen.levels
    at = np.flatnonzero(was.scl[1:] & ~was.scl[:-1])[12] + 1
    t_ns = np.insert(was.t_ns, at + 1, was.t_ns[at] + np.array([1000, 2000]))
    scl = np.insert(was.scl, at + 1, [False, True])
    sda = np.insert(was.sda, at + 1, [False, False])
    return Seen(Levels(t_ns, scl, sda, was.until_ns), seen.transactions, seen.states)


def test_a_target_a_clock_behind_needs_more_than_is_foretold() -> None:
    held = only(with_a_false_clock(seen_cut(ZEROS, Cut(14))))
    assert (held.bit_slot, held.clocks_needed, held.as_predicted) == (6, 3, False)
    assert any("more than predicted" in words for words in held.words)


def test_of_a_hold_in_the_acknowledge_of_a_read_nothing_is_foretold() -> None:
    held = only(with_a_false_clock(seen_cut(ZEROS, Cut(16))))
    assert (held.bit_slot, held.turn, held.clocks_to_free) == (8, "controller", None)
    assert held.as_predicted is None


def test_clocks_with_sda_low_free_a_byte_of_ones_at_their_end() -> None:
    attempt = attempt_of(Transfer(ADDRESS, True, b"\x7f\xff\xff"), Cut(9), BLIND_NINE_LOW)
    # the ninth rise is the STOP's: SDA is let go in it
    assert (attempt.clocks, attempt.freed_at, attempt.ended) == (8, 0, "stop")


def test_a_start_of_the_next_transfer_is_no_attempt() -> None:
    wires = Wires()

    def story() -> Program[None]:
        yield from wires.controller.start()
        yield from wires.controller.write_byte(ADDRESS << 1 | 1)
        yield from wires.controller.abort()
        yield 40 * MILLI
        yield from wires.controller.clear_bus(stop=False)
        yield 40 * MILLI
        yield from wires.controller.read(ADDRESS, length_of(1))

    held = only(wires.seen(story()))
    assert [(attempt.clocks, attempt.ended) for attempt in held.attempts] == [(8, "high")]


def test_clocks_given_before_the_line_counts_as_held_are_tries_too() -> None:
    at_once = Recovery(until_high=False, sda_low=True, times=3, wait_ns=2 * MILLI)
    seen = seen_cut(ZEROS, Cut(12), at_once)
    held = only(seen)
    assert seen.truth is not None
    assert [row["start_ns"] for row in seen.held_rows] > [seen.truth.recovery_ns]
    assert (held.byte, held.bit_slot, held.from_ns) == (1, 3, seen.truth.left_ns)
    assert [attempt.clocks for attempt in held.attempts] == [9, 9, 9]
    assert held.is_zero_stream


def test_a_pause_of_a_slow_controller_is_no_hold() -> None:
    wires = Wires()

    def story() -> Program[None]:
        yield from wires.controller.start()
        yield from wires.controller.write_byte(ADDRESS << 1 | 1)
        yield 3 * MILLI  # SCL low
        yield from wires.controller.read_byte(ack=True)
        yield from wires.controller.abort()

    held = only(wires.seen(story()))
    assert (held.byte, held.bit_slot, held.attempts) == (2, 0, ())


# --- the same reply as before


def replies(last: bytes, *earlier: bytes) -> Seen:
    """Register reads of some contents, the last one cut in its second byte's first bits."""
    wires = Wires()

    def story() -> Program[None]:
        for data in earlier:
            wires.target.registers[0x10 : 0x10 + len(data)] = data
            yield from wires.controller.write_read(ADDRESS, b"\x10", length_of(len(data)))
        wires.target.registers[0x10 : 0x10 + len(last)] = last
        yield from wires.controller.write(ADDRESS, b"\x10", stop=False)
        yield from wires.controller.start()
        yield from wires.controller.write_byte(ADDRESS << 1 | 1)
        yield from wires.controller.read_byte(ack=True)
        yield from wires.controller.clock_bit(low=False)
        yield from wires.controller.abort()
        yield 40 * MILLI
        yield from wires.controller.clear_bus()

    return wires.seen(story())


def test_with_the_reply_it_always_gave_the_number_is_exact() -> None:
    held = only(replies(b"\x12\x34", b"\x12\x34", b"\x99\x34", b"\x12\x34"))
    assert held.as_before is not None
    assert (held.as_before.clocks, held.as_before.octet) == (1, 0x34)
    assert (held.as_before.replies, held.as_before.of) == (3, 3)
    assert held.attempts[0].freed_at == held.as_before.clocks


def test_a_reply_whose_bits_were_other_tells_nothing() -> None:
    assert only(replies(b"\x12\x34", b"\x12\xf4")).as_before is None


def test_no_earlier_reply_tells_nothing() -> None:
    assert only(replies(b"\x12\x34")).as_before is None


def test_a_reply_to_another_request_tells_nothing() -> None:
    wires = Wires()

    def story() -> Program[None]:
        yield from wires.controller.write_read(ADDRESS, b"\x30", length_of(2))
        yield from wires.controller.write(ADDRESS, b"\x10", stop=False)
        yield from wires.controller.start()
        yield from wires.controller.write_byte(ADDRESS << 1 | 1)
        yield from wires.controller.abort()
        yield 40 * MILLI

    assert only(wires.seen(story())).as_before is None


def test_replies_of_a_ten_bit_address_of_the_same_number_tell_nothing() -> None:
    seen = replies(b"\x12\x34", b"\x12\x34")
    earlier = pl.col("start_ns") < seen.transactions["start_ns"].max()
    wide = pl.when(earlier & pl.col("read")).then(pl.lit(10, pl.UInt8)).otherwise("address_bits")
    other = replace(seen, transactions=seen.transactions.with_columns(address_bits=wide))
    assert only(seen).as_before is not None
    assert only(other).as_before is None


# --- scenes


def test_holds_of_another_bus_are_not_those_of_the_episode() -> None:
    seen = seen_cut(ZEROS, Cut(12))
    other = seen.states.with_columns(pl.lit("i2c-2").alias("bus"))
    assert Seen(seen.levels, seen.transactions, other).held() == []


def test_words_say_where_what_frees_it_and_what_came_of_it() -> None:
    words = only(seen_cut(Transfer(ADDRESS, True, b"\x31"), Cut(9))).words
    assert words[0] == "SDA was held low for 30 ms in bit 7 of data byte 1 of a read from 0x54."
    assert "It was the target's turn to drive SDA." in words
    assert any(line.startswith("Predicted to free it, SDA released: 1 to 8 c") for line in words)
    assert (
        "SDA first rose after 2 clocks, as predicted for a target in the middle of its byte."
        in (words)
    )
    assert words[-1] == "Clocks freed it."


def test_a_ten_bit_read_has_the_address_of_the_write_before_it() -> None:
    wires = Wires()
    RegisterFile(wires.bus, "wide", 0x2A5, ten_bit=True)

    def story() -> Program[None]:
        yield from wires.controller.start()
        yield from wires.controller.address(0x2A5, read=True, ten_bit=True)
        for _ in range(3):
            yield from wires.controller.clock_bit(low=False)
        yield from wires.controller.abort()
        yield 40 * MILLI

    held = only(wires.seen(story()))
    assert (held.address, held.read, held.byte, held.bit_slot) == (0x2A5, True, 1, 3)
    assert held.words[0].endswith("bit 4 of data byte 1 of a read from 0x2A5.")


def test_times_a_nanosecond_off_the_wire_change_nothing() -> None:
    seen = seen_cut(ZEROS, Cut(12))
    for shift in (-1, 1):
        moved = seen.states.with_columns(pl.col("start_ns") + shift, pl.col("end_ns") + shift)
        again = Seen(seen.levels, seen.transactions, moved).held()
        assert [held.attempts for held in again] == [only(seen).attempts]
        assert [held.standing for held in again] == [only(seen).standing]

"""Devices on the bus, well behaved and not."""

from __future__ import annotations

from typing import Any

import pytest

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.controller import BusError, Controller, Outcome, length_of
from captures_demo.simulator.devices import BlockDevice, RegisterFile, Stretchy, pec
from captures_demo.simulator.lines import Trace
from captures_demo.simulator.manners import Deaf, Filler, HoldsClock, HoldsData, Manner, Refusing
from captures_demo.simulator.schedule import Program, Schedule

ADDRESS = 0x54
MILLI = 1_000_000


class Bench:
    """A controller and a register file that holds 0x10, 0x11, ... from register 0x10 on."""

    def __init__(self, *, with_pec: bool = False, filter_ns: int = 0) -> None:
        self.schedule = Schedule()
        self.bus = Bus(self.schedule, Trace())
        self.controller = Controller(self.bus)
        registers = bytes(range(256))
        self.target = RegisterFile(
            self.bus, "memory", ADDRESS, registers=registers, with_pec=with_pec, filter_ns=filter_ns
        )

    def high(self) -> dict[str, bool]:
        return {"scl": self.bus.scl.high, "sda": self.bus.sda.high}

    def done(self, program: Program[Any]) -> Any:
        task = self.schedule.start(program)
        self.schedule.run(self.schedule.now_ns + 200 * MILLI)
        assert task.done
        return task.result

    def read(self, register: int, count: int) -> Outcome:
        request = bytes([register])
        outcome = self.done(self.controller.write_read(ADDRESS, request, length_of(count)))
        assert isinstance(outcome, Outcome)
        return outcome


def test_register_file_reads_back_what_was_written() -> None:
    bench = Bench()
    assert bench.done(bench.controller.write(ADDRESS, b"\x20\xaa\xbb")) == Outcome("ok")
    assert bench.read(0x1F, 4) == Outcome("ok", b"\x1f\xaa\xbb\x22")


# PEC of SMBus messages: docs of the crate smbus-pec 1.0.1 (7-bit address 0x5A), and the check
# value of CRC-8/SMBUS in the Catalogue of parametrised CRC algorithms.
@pytest.mark.parametrize(
    ("covered", "code"),
    [("b406abcd", 0x5F), ("b406b5263a", 0x66), (b"123456789".hex(), 0xF4), ("", 0x00)],
)
def test_pec_matches_published_values(covered: str, code: int) -> None:
    assert pec(bytes.fromhex(covered)) == code


def test_word_register_ends_with_the_pec_of_the_whole_message() -> None:
    bench = Bench(with_pec=True)
    bench.target.registers[0x42:0x44] = b"\x34\x12"
    # read word of 0x1234 from register 0x42 of 0x54: covered A8 42 A9 34 12
    assert bench.read(0x42, 3).data == bytes.fromhex("3412fc")


def test_deaf_target_is_an_address_nack_and_recovers_with_its_manner() -> None:
    bench = Bench()
    bench.target.manner = Deaf()
    assert bench.read(0, 1).kind == "address-nack"
    bench.target.manner = Manner()
    assert bench.read(0, 1) == Outcome("ok", b"\x00")


def test_refusing_target_takes_so_many_bytes() -> None:
    bench = Bench()
    bench.target.manner = Refusing(2)
    assert bench.done(bench.controller.write(ADDRESS, b"\x05\x77\x88")).kind == "data-nack"
    assert bench.target.registers[5:7] == b"\x77\x06"
    assert bench.bus.ledger.transactions[0].acks == "AAN"


def test_filler_is_all_ones_from_its_place_on() -> None:
    bench = Bench()
    bench.target.manner = Filler(after=2)
    assert bench.read(0x10, 4).data == b"\x10\x11\xff\xff"


def test_block_device_answers_a_packet_with_a_packet_and_ones_behind_it() -> None:
    schedule = Schedule()
    bus = Bus(schedule, Trace())
    controller = Controller(bus)
    BlockDevice(bus, "echo", 0x2E, answer=lambda request: request[::-1])

    def program() -> Program[Outcome]:
        yield from controller.write(0x2E, b"abc")
        return (yield from controller.read(0x2E, length_of(5)))

    task = schedule.start(program())
    schedule.run_out()
    assert task.result == Outcome("ok", b"cba\xff\xff")


def test_length_of_a_read_may_be_told_by_its_own_bytes() -> None:
    bench = Bench()
    bench.target.registers[0x30:0x36] = b"\x04wxyz!"
    request = bench.controller.write_read(ADDRESS, b"\x30", lambda read: 1 + read[0] if read else 2)
    assert bench.done(request).data == b"\x04wxyz"


def test_controller_waits_for_a_stretching_target() -> None:
    schedule = Schedule()
    bus = Bus(schedule, Trace())
    controller = Controller(bus)
    Stretchy(bus, "slow", 0x31, slow_ns=2 * MILLI)
    task = schedule.start(controller.read(0x31, length_of(3)))
    schedule.run_out()
    assert task.result == Outcome("ok", bytes(3))
    # held after the address and the first two bytes; the last is not acknowledged
    (row,) = bus.ledger.transactions
    assert 6 * MILLI < row.end_ns - row.start_ns < 6 * MILLI + 500_000


def test_controller_gives_up_a_clock_that_is_held_beyond_its_limit() -> None:
    bench = Bench()
    bench.target.manner = HoldsClock(None, after=2)
    outcome = bench.read(0x10, 4)
    assert outcome == Outcome("scl-held", b"\x10\x11")
    assert bench.high() == {"scl": False, "sda": False}
    (hold,) = bench.bus.holds
    assert (hold.line, hold.by, hold.end_ns) == ("scl", "memory", -1)
    with pytest.raises(BusError, match="scl-held"):
        next(bench.controller.start())
    bench.target.power_cycle()
    bench.schedule.run(bench.schedule.now_ns + MILLI)
    assert bench.high() == {"scl": True, "sda": True}
    assert hold.end_ns > hold.start_ns


def test_held_data_line_lasts_until_the_power_goes() -> None:
    bench = Bench()
    bench.target.manner = HoldsData(byte=2)
    assert bench.read(0x10, 4).kind == "sda-held"
    bench.target.manner = Manner()
    assert bench.done(bench.controller.clear_bus()) == 9
    assert bench.high() == {"scl": True, "sda": False}
    bench.target.power_cycle()
    bench.schedule.run(bench.schedule.now_ns + MILLI)
    assert bench.read(0x10, 2) == Outcome("ok", b"\x10\x11")


# UM10204 section 3.1.16: nine clocks free SDA. After k clocks of a byte of zeros the target still
# has 8 - k of them to send, and SDA is free in the ninth clock, where the controller's turn comes.
@pytest.mark.parametrize("clocks_given", range(1, 8))
def test_orphaned_read_needs_the_clocks_of_the_rest_of_its_byte(clocks_given: int) -> None:
    bench = Bench()
    bench.target.registers[:] = bytes(256)

    def orphan() -> Program[None]:
        yield from bench.controller.start()
        yield from bench.controller.write_byte(ADDRESS << 1 | 1)
        for _ in range(clocks_given):
            yield from bench.controller.clock_bit(low=False)
        yield from bench.controller.abort()

    bench.done(orphan())
    assert bench.high() == {"scl": True, "sda": False}
    assert bench.done(bench.controller.clear_bus()) == 9 - clocks_given - 1
    assert bench.high() == {"scl": True, "sda": True}
    assert bench.read(0x10, 1).ok


def test_target_without_a_filter_slips_on_a_spike_and_one_with_a_filter_does_not() -> None:
    outcomes = {}
    for filter_ns in (0, 50):
        bench = Bench(filter_ns=filter_ns)
        # into the low of the third clock of the address: one rise too many for the target
        bench.schedule.at(32_000, lambda _, bench=bench: bench.bus.scl.disturb(40))  # type: ignore[misc]
        outcomes[filter_ns] = bench.done(bench.controller.write(ADDRESS, b"\x01")).kind
    assert outcomes == {0: "address-nack", 50: "ok"}

"""SDA is held low: reads and acknowledges left in the middle, and how the burst after it fails.

The causes here end with SDA low and SCL high (the first face of a lockup): UM10204 section 3.1.16
gives the way out, and each cause spoils it in its own way.
"""

from __future__ import annotations

from captures_demo.simulator.controller import Outcome
from captures_demo.simulator.corpus.works import TIMEOUT, Works
from captures_demo.simulator.schedule import Program

RESETS = ("watchdog", "brown-out", "software")


def orphaned_read(works: Works) -> None:
    """The board resets, or its driver gives up, inside a byte that the part sends.

    Source: AN-686, "Implementing an I2C Reset"; UM10204 section 3.1.16.
    """
    dice = works.dice("place")
    byte, bits = dice.below(works.part.length - 1), dice.between(1, 6)
    resets, freed = dice.chance(0.7), dice.chance(0.3)
    boot_ns = dice.between(20, 60) * 1_000_000
    reason = dice.pick(RESETS)

    def cut() -> Program[Outcome]:
        clocks = yield from _leave_read(works, byte, bits)
        works.wrong(f"read left after {clocks} clocks of its data", works.part.name)
        yield from works.driver.abort()
        if resets:
            works.reset(reason, boot_ns=boot_ns)
        return TIMEOUT

    def dead() -> Program[Outcome]:
        if freed and works.polled == works.variant.polls - 2:
            yield from works.driver.clear_bus()  # a later, careful try
        return (yield from works.read(works.victim))

    works.at_place(cut)
    works.afterwards(dead)


def _leave_read(works: Works, byte: int, bits: int) -> Program[int]:
    """A read up to a bit that the part pulls low; the clocks given since its address."""
    driver, part, timing = works.driver, works.part, works.variant.timing
    yield from driver.write(part.address, bytes([part.register]), stop=bool(works.variant.joint_ns))
    if works.variant.joint_ns:
        yield works.variant.joint_ns
    yield from driver.start()
    yield from driver.write_byte(part.address << 1 | 1)
    for _ in range(byte):
        yield from driver.read_byte(ack=True)
    clocks = 0
    while clocks < bits or works.bus.sda.driven or clocks % 9 > 7:
        if clocks % 9 == 8:
            yield from driver.clock_bit(low=True)
        else:
            yield from driver.clock_bit(low=False)
        clocks += 1
        yield timing.hold_data_ns + works.variant.rise_ns + 100
    return 9 * byte + clocks


def zero_stream_orphan(works: Works) -> None:
    """As above while the part sends zeros; the recovery drives SDA low, which acknowledges them.

    Source: the public threads named in the catalogue (a bus clear that keeps SDA driven).
    """
    dice = works.dice("place")
    bits, clocks = dice.between(1, 6), dice.pick((9, 18, 9))
    victim = works.victim
    if works.healthy:
        return

    def cut() -> Program[Outcome]:
        victim.on_read = lambda register: None
        victim.registers[:] = bytes(256)  # an empty hopper, a dark picture: nothing but zeros
        left = yield from _leave_read(works, 1 + dice.below(2), bits)
        works.wrong(f"read of zeros left after {left} clocks of its data")
        yield from works.driver.abort()
        return TIMEOUT

    def recover() -> Program[Outcome]:
        yield from clock_with_sda_low(works, clocks)
        return (yield from works.read(victim))

    works.at_place(cut)
    works.afterwards(recover)


def clock_with_sda_low(works: Works, clocks: int) -> Program[None]:
    """A bus clear that keeps SDA low, so that every ninth clock is an ACK; then SDA is let go."""
    bus, timing = works.bus, works.variant.timing
    mask = bus.driver()
    bus.sda.pull(mask)
    for _ in range(clocks):
        bus.ledger.fall()
        bus.scl.pull(mask)
        yield timing.low_ns
        bus.scl.release(mask)
        yield works.bus.scl.rise_within(works.variant.stretch_limit_ns)
        bus.ledger.rise(bus.sda.driven)
        yield timing.high_ns
    bus.sda.release(mask)
    yield timing.bus_free_ns


def orphaned_acknowledge(works: Works) -> None:
    """A write is left in the ninth clock: the part acknowledges a byte and waits for its fall.

    Source: kernel documentation "I2C fault injection": incomplete_address_phase,
    incomplete_write_byte.
    """
    dice = works.dice("place")
    in_address, resets = dice.chance(0.5), dice.chance(0.5)
    boot_ns, reason = dice.between(20, 60) * 1_000_000, dice.pick(RESETS)

    def cut() -> Program[Outcome]:
        driver, part = works.driver, works.part
        yield from driver.start()
        byte = part.address << 1
        if not in_address:
            yield from driver.write_byte(byte)
            byte = part.register
        yield from driver.write_bits(byte, 8)
        yield 2 * works.variant.timing.hold_data_ns
        works.wrong(
            "write left in the ninth clock of its " + ("address", "register")[not in_address]
        )
        yield from driver.abort()
        if resets:
            works.reset(reason, boot_ns=boot_ns)
        return TIMEOUT

    works.at_place(cut)


def hand_over_dip(works: Works) -> None:
    """Pins that change hands after a recovery pass through low; a part takes it for traffic.

    Source: the threads named in the catalogue (dips of 600 to 750 ns on both lines).
    """
    dice = works.dice("place")
    width_ns, skew_ns, each = dice.between(600, 750), dice.between(0, 200), dice.between(3, 6)
    if works.healthy:
        return
    bus, mask = works.bus, works.bus.driver()

    def no_answer() -> Program[Outcome]:
        works.wrong(f"a recovery after a NACK, both lines low for {width_ns} ns")
        outcome = yield from works.driver.write(0x70 + dice.below(4), b"")  # a wrong address, once
        yield from recover()
        yield 20_000
        works.victim.seize("sda")
        return outcome

    def recover() -> Program[None]:
        yield from clock_slowly(works, 9, each * works.variant.bit_ns)
        yield dice.between(20, 400) * 1_000
        was_high = bus.sda.driven
        bus.sda.pull(mask)
        if was_high:
            bus.ledger.start(works.schedule.now_ns)
        yield skew_ns
        bus.scl.pull(mask)
        bus.ledger.fall()
        yield width_ns - skew_ns
        bus.scl.release(mask)
        yield bus.scl.rise_within(10**9)
        bus.ledger.rise(bus.sda.driven)
        bus.free_sda(mask)
        yield 10_000

    def dead() -> Program[Outcome]:
        outcome = yield from works.read(works.victim)
        if works.polled % each == 0:
            yield from recover()
        return outcome

    works.at_place(no_answer)
    works.afterwards(dead)


def clock_slowly(works: Works, clocks: int, period_ns: int) -> Program[None]:
    """Pulses on SCL by software, SDA let go: no START, no STOP, another period than the bus."""
    bus, mask = works.bus, works.bus.driver()
    for _ in range(clocks):
        bus.ledger.fall()
        bus.scl.pull(mask)
        yield period_ns // 2
        bus.scl.release(mask)
        yield bus.scl.rise_within(10**9)
        bus.ledger.rise(bus.sda.driven)
        yield period_ns // 2

"""The board's bus peripheral and its driver: states they never leave, what they send instead."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from captures_demo.simulator.controller import BusError, Controller, Outcome, length_of
from captures_demo.simulator.corpus.variant import MILLI, Variant
from captures_demo.simulator.corpus.works import TIMEOUT, Works
from captures_demo.simulator.manners import Deaf, Manner, Refusing
from captures_demo.simulator.schedule import Program


def gives_up(works: Works) -> Program[Outcome]:
    """A poll of a driver that believes the bus is busy: time passes, no line moves."""
    yield works.variant.stretch_limit_ns // 5
    return TIMEOUT


def all_give_up(works: Works) -> None:
    """Every transfer of the board ends so from now on, whatever part it is for."""
    works.instead = lambda: gives_up(works)


def phantom_busy(works: Works) -> None:
    """A dip of SDA on the idle bus passes for another controller's START: busy for ever.

    Source: libopencm3 1613; mynewt PR 2337; klipper PR 6961; ESP32 core 349.
    """
    dice, bus = works.dice("place"), works.bus
    width_ns, lead_ns = dice.between(2, 40) * 1_000, dice.between(200, 2_000) * 1_000
    mask = bus.driver()

    def dip() -> Program[None]:
        yield lead_ns
        yield works.lock  # on the idle bus
        works.wrong(f"SDA low for {width_ns} ns on the idle bus", "controller")
        hold = bus.hold(bus.sda, mask, "noise")
        yield width_ns
        bus.let_go(hold, mask)
        all_give_up(works)
        works.lock.release()

    def last() -> Program[Outcome]:
        outcome = yield from works.read(works.victim)
        works.schedule.start(dip())
        return outcome

    works.at_place(last)


def spurious_abort(works: Works) -> None:
    """The driver takes an informative flag for an error and drops its transfers halfway.

    Source: stm32l4xx-hal 27 and PR 28; stm32h5xx-hal 39.
    """
    dice = works.dice("place")
    in_register = dice.chance(0.5)

    def drop() -> Program[Outcome]:
        driver, part = works.driver, works.part
        try:
            yield from driver.start()
        except BusError as fault:
            return Outcome(fault.kind)
        acked = yield from driver.write_byte(part.address << 1)
        if acked and in_register:
            yield from driver.write_byte(part.register)
        else:
            bits = dice.between(1, 6)
            yield from driver.write_bits(part.register >> 8 - bits, bits)
        works.wrong("transfer dropped after " + ("the address", "the register")[in_register])
        yield from driver.abort()
        return TIMEOUT

    works.from_place(drop)


def nack_trap(works: Works) -> None:
    """One NACK, and the driver never leaves the state that follows.

    Source: zephyr 14568 and PR 36583; stm32l0xx-hal 3; artiq 2710.
    """
    dice = works.dice("place")
    in_address, stops = dice.chance(0.4), dice.chance(0.3)
    late_ns = dice.between(3, 30) * MILLI

    def trap() -> Program[Outcome]:
        driver, part = works.driver, works.part
        works.victim.manner = Deaf() if in_address else Refusing(0)  # busy this once
        yield from driver.start()
        if (yield from driver.write_byte(part.address << 1)):
            yield from driver.write_byte(part.register)
        works.wrong("NACK of the " + ("register", "address")[in_address], "controller")
        works.victim.manner = Manner()
        if stops:
            yield late_ns
            yield from driver.stop()
        else:
            yield from driver.abort()
        all_give_up(works)
        return (yield from gives_up(works))

    works.at_place(trap)


def wrong_transaction(works: Works) -> None:
    """The driver sends what nobody asked for, and the part does not survive it.

    Source: zephyr 70077 (a read seen as a write of 13 bytes); a mailing list on clocks.
    """
    dice = works.dice("place")
    way = dice.pick(("a read turned into a write", "too many bytes written", "an odd register"))
    extra = dice.payload(dice.between(9, 14))

    def odd() -> Program[Outcome]:
        driver, part = works.driver, works.part
        works.wrong(way, "controller")
        if way == "a read turned into a write":
            outcome = yield from driver.write(part.address, bytes([part.register]) + extra[:4])
        elif way == "too many bytes written":
            outcome = yield from driver.write(part.address, bytes([part.register]) + extra)
        else:
            register = part.register ^ dice.pick((0x80, 0xC0, 0xE0))
            outcome = yield from works.exchange(part, bytes([register]), part.length)
        works.victim.manner = Deaf()
        return TIMEOUT if outcome.ok else outcome

    works.at_place(odd)


class Hasty(Controller):
    """Lets SDA go while SCL is still high when a byte it has read matches a pattern."""

    pattern = 0  # bits of the byte that must be set; 0: it behaves
    on_strike: Callable[[], None] | None = None

    def read_byte(self, *, ack: bool) -> Program[int]:
        """As ever, but the ACK after such a byte ends early: a STOP in the ninth clock."""
        value = 0
        for _ in range(8):
            seen = yield from self.clock_bit(low=False)
            value = value << 1 | seen
        if not (ack and self.pattern and value & self.pattern == self.pattern):
            yield from self.clock_bit(low=ack)
            return value
        if self.on_strike is not None:
            self.on_strike()
        yield from self._raise_clock(low=True)
        yield self.timing.high_ns // 2
        self.bus.sda.release(self.mask)
        if (yield self.bus.sda.rise_within(self.stretch_limit_ns)):
            self.bus.ledger.stop(self.bus.schedule.now_ns)
        yield self.timing.high_ns // 2
        self._pull_clock()
        return value


def data_dependent_corruption(works: Works) -> None:
    """Some values make the controller move SDA in a HIGH of SCL; what follows is filler.

    Source: xous-core PR 947; i3c-slave-design 8.
    """
    dice, driver, victim = works.dice("place"), works.driver, works.victim
    assert isinstance(driver, Hasty)
    flag = 0x80 if works.part.order == "little" else 0x8000  # in the first byte of the value
    step = dice.between(3, 9)

    def usual(number: int) -> Program[Outcome]:
        victim.count = number  # below 128: no byte of it has bit 7
        victim.level = 0x0101 * (1 + number // step % 0x60)
        if number >= works.variant.place:
            victim.level |= flag  # it is over the middle of its range from now on
        driver.pattern = 0 if works.healthy else 0x80  # the fast way is taken for this part alone
        outcome = yield from works.read(victim)
        driver.pattern = 0
        return outcome

    driver.on_strike = lambda: works.wrong("STOP in the ninth clock of bytes with bit 7")
    victim.settles = True
    works.usual = usual


def length_cap(works: Works) -> None:
    """The bus library reads no more than its cap; the rest of the buffer is filler.

    Source: RTClib 268; i2cdevlib 76, 751; TPM driver 1, and others named in the catalogue.
    """
    dice, victim, part = works.dice("place"), works.victim, works.part
    cap, more = dice.pick((16, 30, 32, 32)), dice.between(2, 12)

    def asks(length: int) -> Program[Outcome]:
        return works.exchange(part, bytes([part.register]), length)

    def usual(number: int) -> Program[Outcome]:
        longer = number >= works.variant.place  # more caps are on the belt from then on
        length = cap + more if longer else max(6, cap - 6)
        got = length if works.healthy else min(cap, length)
        for at in range(4, length):
            victim.registers[part.register + at & 0xFF] = 0x20 + (number * 7 + at * 13) % 0x5F
        if got < length:
            works.wrong(f"read of {length} bytes stops at {cap}")
        outcome = yield from asks(got)
        buffer = outcome.data.ljust(length, b"\xff")
        works.board.print("I", f"{part.name}: {length} bytes {buffer.hex()}")
        return Outcome(outcome.kind, buffer)

    works.usual = usual


def up_to_127(variant: Variant) -> Variant:
    """Fewer polls than a byte without bit 7 can count."""
    return replace(variant, place=min(variant.place, 90), dead=min(variant.dead, 34))


def longer_samples(variant: Variant) -> Variant:
    """Samples carry more than a count and a value."""
    return replace(variant.with_part(pec=False), longer=True)


def joint_error(works: Works) -> None:
    """A STOP where the part needs a repeated START: it forgets which register was meant.

    Source: esp-hal 1490; QMC5883L 17; Sensirion SHT library 10; contiki 2013.
    """
    dice, victim, part = works.dice("place"), works.victim, works.part
    gap_ns, stuck = dice.between(60, 600) * 1_000, dice.chance(0.5)
    victim.forgets = True
    fill = 0xFF if stuck else 0x00
    victim.registers[0:2] = bytes([fill, fill])

    def apart() -> Program[Outcome]:
        works.wrong("STOP between register and read", "controller")
        outcome = yield from works.driver.write(part.address, bytes([part.register]))
        yield gap_ns
        if outcome.ok:
            outcome = yield from works.driver.read(part.address, length_of(part.length))
        return outcome

    works.from_place(apart)


def second_controller(works: Works) -> None:
    """A second controller on the bus does not notice that it has lost.

    Both addresses at once are their bitwise AND, which nobody has. Source: samd core PR 284; tock
    351; teensy4_i2c 15.
    """
    dice, part = works.dice("place"), works.part
    other = works.others[0].part.address
    first, second = part.address << 1, other << 1 | dice.below(2)
    differ = next(at for at in range(7, -1, -1) if (first ^ second) >> at & 1)
    cut = dice.chance(0.5)
    short_ns = works.variant.timing.bus_free_ns // 10

    def collide() -> Program[Outcome]:
        driver = works.driver
        works.wrong(f"addresses {first >> 1:02x} and {second >> 1:02x} at once", "i2c-1")
        try:
            yield from driver.start()
            if cut:
                clocks = 8 - differ
                yield from driver.write_bits((first & second) >> differ, clocks)
                yield from driver.stop()
                return TIMEOUT
            yield from driver.write_byte(first & second)
            yield from _stop_at_once(works, short_ns)
            yield from driver.start()
            yield from driver.write_byte(first & second)
            yield from driver.stop()
        except BusError as fault:
            yield from driver.abort()
            return Outcome(fault.kind)
        return Outcome("address-nack")

    works.from_place(collide)


def _stop_at_once(works: Works, free_ns: int) -> Program[None]:
    """A STOP after which somebody begins before the bus was free for tBUF (table 11)."""
    bus, timing, mask = works.bus, works.variant.timing, works.driver.mask
    yield timing.hold_data_ns
    bus.sda.pull(mask)
    yield timing.low_ns - timing.hold_data_ns
    bus.scl.release(mask)
    yield bus.scl.rise_within(10**9)
    bus.ledger.rise(bus.sda.driven)
    yield timing.setup_stop_ns
    bus.sda.release(mask)
    yield bus.sda.rise_within(10**9)
    bus.ledger.stop(works.schedule.now_ns)
    works.driver.forget()
    yield free_ns


def probe_damage(works: Works) -> None:
    """A scan of all addresses with writes of no length; the part does not survive it.

    Source: mynewt PR 1839; avr-hal 622; sddf 680; circuits_i2c PR 125.
    """
    dice, part = works.dice("place"), works.part
    first, last = dice.between(0x08, 0x0F), dice.between(0x70, 0x77)
    holds = dice.chance(0.3)

    def scan() -> Program[Outcome]:
        works.wrong(f"scan from {first:02x} to {last:02x}", part.name)
        for address in range(first, last + 1):
            yield from works.driver.write(address, b"")
            yield 30_000
        if holds:
            works.victim.seize("sda")
        else:
            works.victim.manner = Deaf()
        return (yield from works.read(works.victim))

    works.at_place(scan)

"""SCL is held low, or released too late, or too early: stretching and its misunderstandings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from captures_demo.simulator.controller import Controller, Outcome
from captures_demo.simulator.corpus.held_lines import clock_slowly
from captures_demo.simulator.corpus.variant import MILLI, Variant
from captures_demo.simulator.corpus.wires import free_data
from captures_demo.simulator.corpus.works import TIMEOUT, Works
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.manners import Deaf, HoldsClock
from captures_demo.simulator.schedule import Program

STUCK_NS = 10**15


def recovery_in_transaction(works: Works) -> None:
    """The driver calls a long, legitimate stretch a fault and wiggles SCL in the transaction.

    Source: the threads named in the catalogue (a recovery that ends good transactions).
    """
    dice, variant = works.dice("place"), works.variant
    usual_ns, long_ns = dice.between(400, 1_500) * 1_000, dice.between(9_000, 22_000) * 1_000
    limit_ns, clocks = dice.between(4, 8) * MILLI, dice.pick((9, 9, 16))
    period_ns = dice.between(3, 7) * variant.bit_ns
    works.victim.slow_ns = usual_ns
    works.driver.stretch_limit_ns = 25 * MILLI if works.healthy else limit_ns

    def usual(number: int) -> Program[Outcome]:
        works.victim.slow_ns = long_ns if number == variant.place else usual_ns
        return (yield from works.read(works.victim))

    def wiggle() -> Program[Outcome]:
        works.victim.slow_ns = long_ns  # it calibrates itself once in a while
        part, driver, bus = works.part, works.driver, works.bus
        yield from driver.start()
        yield from driver.write_byte(part.address << 1)
        yield from driver.write_bits(part.register, 8)
        yield from driver.clock_bit(low=False)
        begun_ns = works.schedule.now_ns
        mask = bus.driver()
        bus.scl.release(driver.mask)
        yield limit_ns
        works.wrong(f"recovery {limit_ns // 1_000} us into a stretch of {long_ns // 1_000} us")
        bus.scl.pull(mask)  # the first of its pulses is swallowed by the part's hold
        yield period_ns // 2
        bus.scl.release(mask)
        yield max(0, begun_ns + long_ns + period_ns - works.schedule.now_ns)
        bus.ledger.rise(bus.sda.driven)
        yield from clock_slowly(works, clocks, period_ns)
        works.victim.manner = Deaf()
        yield from driver.abort()
        works.victim.slow_ns = usual_ns
        return TIMEOUT

    works.usual = usual
    works.at_place(wiggle)


def clock_held_by_target(works: Works) -> None:
    """The part's firmware hangs after an acknowledge, with SCL low.

    Source: SCPA069; threads on microcontroller-based targets named in the catalogue.
    """
    after = works.dice("place").below(4)

    def hold() -> Program[Outcome]:
        works.victim.manner = HoldsClock(None, after)
        task = works.schedule.start(works.read(works.victim))
        while not works.bus.holds:
            yield 10_000
        works.wrong(f"SCL held by the part after {after} bytes")
        outcome: Outcome = yield task
        return outcome

    works.at_place(hold)


WAYS = ("after a NACK", "after a length of 0", "at the end of its FIFO")


def _way(variant: Variant) -> tuple[str, int]:
    """What the controller waits after, and the size of its FIFO."""
    dice = Dice(variant.seed, "way")
    return dice.pick(WAYS), dice.pick((8, 8, 16))


def fifo_reads(variant: Variant) -> Variant:
    """Where the FIFO runs empty, all samples are longer than it."""
    way, _ = _way(variant)
    return replace(variant.with_part(pec=False), longer=True) if way == WAYS[2] else variant


def clock_held_by_controller(works: Works) -> None:
    """The board's bus peripheral waits for its software with SCL low.

    After a NACK, after a length byte of 0, or where its FIFO ran empty. Source: kernel list, "i2c:
    designware: fix __i2c_dw_disable() in case master is holding SCL low", and others named in the
    catalogue.
    """
    (way, fifo), freed = _way(works.variant), works.dice("place").chance(0.3)
    bus, part, mask = works.bus, works.part, works.bus.driver()
    if way == WAYS[2]:
        works.usual = lambda _: works.exchange(part, bytes([part.register]), fifo + 4)

    def hold() -> Program[Outcome]:
        works.wrong(f"SCL kept low {way}", "controller")
        if way == WAYS[0]:
            yield from works.driver.start()
            yield from works.driver.write_byte(_nobody(works) << 1)
        else:
            yield from _read_up_to(works, 1 if way == WAYS[1] else fifo)
        bus.hold(bus.scl, mask, "controller")
        bus.scl.release(works.driver.mask)
        bus.sda.release(works.driver.mask)
        works.driver.forget()
        return TIMEOUT

    def dead() -> Program[Outcome]:
        if freed and works.polled == works.variant.polls - 3:
            works.reset("watchdog", boot_ns=20 * MILLI)
            bus.let_go(bus.holds[-1], mask)
            bus.ledger.rise(bus.sda.driven)
            return TIMEOUT
        return (yield from works.read(works.victim))

    works.at_place(hold)
    works.afterwards(dead)


def _read_up_to(works: Works, length: int) -> Program[None]:
    """The usual read as far as so many acknowledged bytes; of one byte, that is 0."""
    driver, part = works.driver, works.part
    if length == 1:
        works.victim.registers[part.register] = 0
        works.victim.frozen = True
    yield from driver.write(part.address, bytes([part.register]), stop=bool(works.variant.joint_ns))
    yield works.variant.joint_ns
    yield from driver.start()
    yield from driver.write_byte(part.address << 1 | 1)
    for _ in range(length):
        yield from driver.read_byte(ack=True)
    works.victim.power_cycle()  # it lets go of SDA, whatever it was about to send
    works.victim.frozen = False


def _nobody(works: Works) -> int:
    """An address of the mux range that no part has."""
    return 0x71 + works.variant.number % 6


def stretch_creep(works: Works) -> None:
    """The part needs more time from poll to poll, until that crosses the driver's limit.

    Source: the threads named in the catalogue (limits of 8 bus cycles, 10 reads, 1000 loops).
    """
    dice, variant, victim = works.dice("place"), works.variant, works.victim
    limit_ns = dice.between(900, 9_000) * 1_000
    start_ns, step_ns = limit_ns // 5, limit_ns * 4 // (5 * (variant.place - 2))
    works.driver.stretch_limit_ns = limit_ns
    noise = works.dice("stretch")

    def creeping(number: int) -> Program[Outcome]:
        grown = 0 if works.healthy else step_ns * number
        victim.slow_ns = start_ns + grown + noise.below(step_ns // 2 + 2)
        if victim.slow_ns > limit_ns - 20_000:
            victim.slow_ns = limit_ns + step_ns + noise.below(limit_ns // 4)
            works.wrong(f"stretch above the limit of {limit_ns // 1_000} us")
        outcome = yield from works.read(victim)
        if not outcome.ok:
            yield works.bus.scl.rise_within(STUCK_NS)
            yield 50_000
        return outcome

    works.usual = creeping


class Runty(Controller):
    """Its clock generator runs on during a stretch and cuts the first HIGH after it."""

    runt_ns = 0  # 0: it behaves
    on_runt: Callable[[], None] | None = None

    def clock_bit(self, *, low: bool) -> Program[bool]:
        """As ever, but after a stretch."""
        began_ns = self.bus.schedule.now_ns
        yield from self._raise_clock(low=low)
        waited_ns = self.bus.schedule.now_ns - began_ns
        stretched = waited_ns > 2 * self.timing.low_ns + 2_000
        if stretched and self.runt_ns and self.on_runt is not None:
            self.on_runt()
        yield self.runt_ns if stretched and self.runt_ns else self.timing.high_ns
        seen = self.bus.sda.driven
        self._pull_clock()
        return seen


def runt_after_stretch(works: Works) -> None:
    """The first clock after a stretch is too short for the part, which is one behind from there.

    Source: vendor kernel issues 254 and 4884 (a clock-stretch bug in hardware).
    """
    dice, driver, victim = works.dice("place"), works.driver, works.victim
    assert isinstance(driver, Runty)
    runt_ns, victim.slow_ns = dice.between(60, 180), dice.between(30, 300) * 1_000
    victim.slow_after = 0

    def fail() -> Program[Outcome]:
        driver.runt_ns = runt_ns  # its clock has come to fall badly into the part's
        return (yield from works.read(victim))

    driver.on_runt = lambda: works.wrong(f"first HIGH after a stretch is {runt_ns} ns")
    works.from_place(fail)
    if dice.chance(0.5) and not works.healthy:
        works.after_fault = lambda outcome: free_data(works, outcome)

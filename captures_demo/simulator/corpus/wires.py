"""What is coupled into the wires: slips, weak pull-ups, bursts, crosstalk."""

from __future__ import annotations

from captures_demo.simulator.controller import Controller, Outcome
from captures_demo.simulator.corpus.variant import MILLI
from captures_demo.simulator.corpus.works import TIMEOUT, Works
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.manners import Deaf, Manner
from captures_demo.simulator.schedule import Program


def bit_slip(works: Works) -> None:
    """A spike on SCL that the part counts and the controller's filter does not: one bit apart.

    A few times the next START mends it, at last the part's bus logic hangs. Source: SCPA069 (spike
    filters of 50 and 70 ns); hubris 1822.
    """
    dice = works.dice("place")
    width_ns, earlier = dice.between(70, 240), dice.below(3)
    places = {works.variant.place - dice.between(3, 20) * k for k in range(1, earlier + 1)}
    in_read = [dice.chance(0.6) for _ in range(earlier + 1)]

    def slipped() -> Program[Outcome]:
        timing, bus = works.variant.timing, works.bus
        bits = dice.between(2, 7)
        skip = 9 * (1 + in_read.pop() * 2) + bits  # into the register byte, or into the reply
        task = works.schedule.start(works.read(works.victim))
        clocks = 0
        while clocks < skip:
            yield bus.scl.rise_within(50 * MILLI)
            clocks += 1
            yield timing.high_ns + timing.low_ns // 4
        yield timing.low_ns // 3
        works.wrong(f"SCL spike of {width_ns} ns")
        bus.scl.disturb(width_ns)
        outcome: Outcome = yield task
        return outcome

    def last() -> Program[Outcome]:
        outcome = yield from slipped()
        works.victim.manner = Deaf()
        yield from works.driver.clear_bus()
        return outcome if not outcome.ok else TIMEOUT

    def usual(number: int) -> Program[Outcome]:
        if number in places and not works.healthy:
            outcome = yield from slipped()
            yield from works.driver.clear_bus()
            return outcome
        return (yield from works.read(works.victim))

    works.usual = usual
    works.at_place(last)


class OpenLoop(Controller):
    """Counts its clock's HIGH from the release, not from the rise it sees: slow rises eat it."""

    def clock_bit(self, *, low: bool) -> Program[bool]:
        """As ever, with a HIGH that ends in time."""
        began_ns = self.bus.schedule.now_ns
        yield from self._raise_clock(low=low)
        waited_ns = self.bus.schedule.now_ns - began_ns
        left_ns = self.timing.low_ns + self.timing.high_ns + 300 - waited_ns
        yield max(self.timing.high_ns // 8, left_ns)
        seen = self.bus.sda.driven
        self._pull_clock()
        return seen


class Unsure(Manner):
    """Misses its address now and then: its thresholds are reached too late."""

    def __init__(self, dice: Dice, rate: float) -> None:
        self._dice, self._rate = dice, rate

    def deaf(self) -> bool:
        """With the given probability."""
        return self._dice.chance(self._rate)


def slow_edges(works: Works) -> None:
    """A long cable is added: rises take most of the HIGH, and every part misses its address.

    Source: NXP, "I2C Hardware Debugging"; a vendor's note on random NACKs.
    """
    dice, bus = works.dice("place"), works.bus
    part_of_high = 0.55 + 0.25 * dice.unit()
    rise_ns = works.variant.rise_ns + int(works.variant.timing.high_ns * part_of_high)
    chatter = works.dice("chatter")

    def weak() -> Program[Outcome]:
        if bus.scl.rise_ns != rise_ns:
            works.wrong(f"rises take {rise_ns} ns", "i2c-1")
            bus.scl.rise_ns = bus.sda.rise_ns = rise_ns
            works.victim.manner = Unsure(chatter, 0.97)
            for other in works.others:
                other.manner = Unsure(chatter, 0.4 + 0.5 * chatter.unit())
            _bounce(works, chatter)
        return (yield from works.read(works.victim))

    works.from_place(weak)


def _bounce(works: Works, dice: Dice) -> None:
    """Let some rises of SCL cross the threshold more than once from now on."""
    scl, schedule, last_ns = works.bus.scl, works.schedule, [0]

    def crossed(high: bool) -> None:
        if high and scl.driven and schedule.now_ns > last_ns[0] + 1_000 and dice.chance(0.1):
            last_ns[0] = schedule.now_ns
            schedule.at(schedule.now_ns + 20, lambda _: scl.disturb(40))

    scl.listen(crossed)


def interference_burst(works: Works) -> None:
    """The diverter's motor starts a fixed time after its command and couples into both lines.

    Source: questions and answers on motor noise named in the catalogue.
    """
    dice, bus = works.dice("place"), works.bus
    lag_ns, length_ns = dice.between(12, 45) * MILLI, dice.between(30, 90) * MILLI
    widest_ns = dice.between(150, 400)
    noise = works.dice("motor")

    def burst(last: bool) -> Program[None]:
        yield lag_ns
        works.wrong(f"runts for {length_ns // MILLI} ms, {lag_ns // MILLI} ms after a command")
        end_ns = works.schedule.now_ns + length_ns
        while works.schedule.now_ns < end_ns:
            yield 15_000 + noise.below(40_000)
            for line in (bus.scl, bus.sda):
                if noise.chance(0.8) and line.high == line.driven:
                    line.disturb(noise.between(40, widest_ns))
            yield widest_ns
        if last:
            works.victim.manner = Deaf()

    def command(_: int) -> None:
        begun = works.polled
        if works.healthy or begun < works.variant.place - 40:
            return
        works.schedule.start(burst(last=begun >= works.variant.place))

    def commanded() -> Program[Outcome]:
        works.diverter.command()
        return (yield from works.read(works.victim))

    works.diverter.on_command = command
    works.at_place(commanded)
    works.after_fault = None if works.healthy else lambda outcome: free_data(works, outcome)


def free_data(works: Works, outcome: Outcome) -> Program[None]:
    """A driver that clocks a held SDA free (UM10204 section 3.1.16)."""
    if outcome.kind == "sda-held":
        yield from works.driver.clear_bus()


def crosstalk(works: Works) -> None:
    """A cable is moved: edges of SDA couple into SCL, and the part counts them.

    Source: SCPA069, section on crosstalk.
    """
    dice, bus = works.dice("place"), works.bus
    width_ns, lag_ns = dice.between(40, 110), dice.between(15, 60)
    rate, pattern = 0.6 + 0.4 * dice.unit(), works.dice("pattern")

    def couples(high: bool) -> None:
        if not bus.scl.driven and not high and pattern.chance(rate):
            at_ns = works.schedule.now_ns + lag_ns
            works.schedule.at(at_ns, runt)

    def runt(_: object) -> None:
        if not bus.scl.driven and bus.scl.high == bus.scl.driven:
            works.wrong(f"SCL runts of {width_ns} ns, {lag_ns} ns after falls of SDA", "i2c-1")
            bus.scl.disturb(width_ns)

    def begin() -> Program[Outcome]:
        bus.sda.listen(couples)
        return (yield from works.read(works.victim))

    works.at_place(begin)
    works.after_fault = None if works.healthy else lambda outcome: free_data(works, outcome)

"""Who calls the bus, when, and by which way: tasks, interrupts, retries, waits, the mux."""

from __future__ import annotations

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.controller import Controller, Outcome, length_of
from captures_demo.simulator.corpus.parts import CONFIG, Sensor
from captures_demo.simulator.corpus.variant import MILLI
from captures_demo.simulator.corpus.works import TIMEOUT, Works
from captures_demo.simulator.devices import RegisterFile
from captures_demo.simulator.manners import Deaf, Manner
from captures_demo.simulator.schedule import Program


def interleaved_callers(works: Works) -> None:
    """Two tasks ask the same part; one writes its register between the other's write and read.

    Source: RIOT PR 2326; espuino PR 152; zephyr 29239, PR 98037; obeg 7; ChNil 4.
    """
    dice, part = works.dice("place"), works.part
    gap_ns, every = dice.between(150, 900) * 1_000, dice.between(1, 3)
    rate = 0.5 + 0.4 * dice.unit()
    works.victim.registers[CONFIG : CONFIG + 5] = bytes([0x5A, dice.below(256), 0x03, 0x00, 0x11])

    def other() -> Program[None]:
        yield from works.driver.write(part.address, bytes([CONFIG]))
        yield 40_000
        yield from works.driver.read(part.address, length_of(part.length))

    def usual(number: int) -> Program[Outcome]:
        collides = number >= works.variant.place and dice.chance(rate)
        asked = number % every == 0
        yield from works.driver.write(part.address, bytes([part.register]))
        yield gap_ns // 2
        if collides and not works.healthy:
            works.wrong("the second task asks between register and read", "controller")
            yield from other()
        yield gap_ns // 2
        outcome = yield from works.driver.read(part.address, length_of(part.length))
        if asked and (works.healthy or not collides):
            yield gap_ns
            yield from other()
        return outcome

    works.usual = usual


class Starved(Controller):
    """A bus driven by software: interrupts stop it anywhere, SCL low meanwhile."""

    pause_ns = 0  # once, after so many more clocks
    pause_after = 0

    def clock_bit(self, *, low: bool) -> Program[bool]:
        """As ever, with the pause after its clock."""
        seen = yield from super().clock_bit(low=low)
        if self.pause_ns:
            self.pause_after -= 1
            if self.pause_after < 0:
                pause_ns, self.pause_ns = self.pause_ns, 0
                yield pause_ns
        return seen


def starved_transfer(works: Works) -> None:
    """The network's interrupts stop transfers for so long that the part gives up.

    A part that follows SMBus lets go after 25 to 35 ms of SCL low. Source: esp-hal 3167; ESP32 core
    1352, 4913; mbed-os 5798; esp-idf 1503.
    """
    driver, noise = works.driver, works.dice("network load")
    assert isinstance(driver, Starved)
    clocks = 9 * (2 + works.part.length)
    bursts = works.dice("place").between(4, 9)

    def starve() -> Program[Outcome]:
        lost_ns = noise.between(26, 34) * MILLI
        driver.pause_ns = lost_ns + noise.between(1, 14) * MILLI
        driver.pause_after = noise.below(clocks)
        for _ in range(bursts):
            works.says.publish("capline/board/log", text="x" * noise.between(20, 60))
        works.wrong("transfers stop for 27 to 48 ms, anywhere", "controller")
        begun_ns = works.schedule.now_ns
        works.schedule.start(_lets_go(works), at_ns=begun_ns + lost_ns)
        outcome = yield from works.read(works.victim)
        driver.pause_ns = 0
        return TIMEOUT if outcome.ok else outcome

    works.from_place(starve)


def _lets_go(works: Works) -> Program[None]:
    works.victim.power_cycle()
    yield 0


class Hammered(Manner):
    """Busy for a while after each measurement; being asked makes it longer."""

    def __init__(self, works: Works) -> None:
        self._works = works
        self.until_ns = 0
        self.longer_ns = 0  # per address it leaves unacknowledged

    def deaf(self) -> bool:
        """While it is busy."""
        busy = self._works.schedule.now_ns < self.until_ns
        if busy:
            self.until_ns += self.longer_ns
        return busy


def nack_hammer(works: Works) -> None:
    """Retries at once keep the part from ever finishing.

    Source: SHT4x component 18; nevermore 27.
    """
    dice, place = works.dice("place"), works.variant.place
    retry_ns, busy_ns = dice.between(150, 600) * 1_000, dice.between(600, 1_500) * 1_000
    most = min(30, works.variant.period_ns // (3 * retry_ns))
    manner = Hammered(works)
    works.victim.manner = manner

    def usual(number: int) -> Program[Outcome]:
        manner.until_ns = works.schedule.now_ns + busy_ns
        if not works.healthy:
            manner.longer_ns = retry_ns * number // (place + 1)
            if number >= place:
                works.wrong(f"asked again every {retry_ns // 1_000} us, it never finishes")
                manner.longer_ns = 3 * retry_ns + 200_000
        outcome = TIMEOUT
        for _ in range(most):
            outcome = yield from works.read(works.victim)
            if outcome.kind != "address-nack":
                break
            yield retry_ns
        return outcome

    works.usual = usual


def read_too_soon(works: Works) -> None:
    """The reply is taken before the conversion ends; filler comes with the right check byte.

    Source: embedded-scd 43; tock 165; hp_BH1750 2; MLX90393 17 and 18; SCD30 library 14.
    """
    dice, victim, part = works.dice("place"), works.victim, works.part
    conversion_ns, stale = dice.between(2, 9) * MILLI, dice.chance(0.4)
    waits, asked_ns = works.dice("waits"), [0]

    def measure(register: int) -> None:
        if register != part.register:
            return
        if works.schedule.now_ns - asked_ns[0] >= conversion_ns:
            victim.measure(register)
        elif not stale:
            victim.put(0xFFFF, 0xFFFF)

    def usual(number: int) -> Program[Outcome]:
        wait_ns = conversion_ns + waits.between(100_000, conversion_ns // 2)
        if number >= works.variant.place and not works.healthy and waits.chance(0.95):
            wait_ns = conversion_ns * waits.between(30, 95) // 100
            works.wrong(
                f"read {wait_ns // 1_000} us after the command, not {conversion_ns // 1_000}"
            )
        outcome = yield from works.driver.write(part.address, bytes([part.register]))
        asked_ns[0] = works.schedule.now_ns
        if not outcome.ok:
            return outcome
        yield wait_ns
        return (yield from works.driver.read(part.address, length_of(part.length)))

    victim.on_read = measure
    works.usual = usual


class Mux(RegisterFile):
    """A switch of eight channels: the byte written says which are open."""

    channels = 0

    def received(self, value: int) -> bool:
        """Open those channels."""
        self.channels = value
        return True


class Behind(Manner):
    """Reached over one channel of a mux only."""

    def __init__(self, mux: Mux, mask: int) -> None:
        self._mux, self._mask = mux, mask

    def deaf(self) -> bool:
        """While its channel is closed."""
        return not self._mux.channels & self._mask


def mux_misroute(works: Works) -> None:
    """The channel is not selected: its write is refused, forgotten, or another is left open.

    Source: sonic kernel 348; esphome PR 5317; surf PR 1420; hubris 1822; pysquared 104.
    """
    dice, bus, part = works.dice("place"), works.bus, works.part
    way = dice.pick(("refused", "forgotten", "left open"))
    address, mine, other = 0x70 + dice.below(8), 1 << dice.below(4), 0x10 << dice.below(4)
    hold_ns = works.variant.timing.hold_data_ns
    mux = Mux(bus, "mux", address, hold_ns=hold_ns)
    works.victim.manner = Behind(mux, mine)
    twin = _twin(bus, works, hold_ns)
    twin.manner = Behind(mux, other)

    def usual(number: int) -> Program[Outcome]:
        astray = number >= works.variant.place and not works.healthy
        select = bytes([other | mine]) if astray and way == "left open" else bytes([mine])
        if astray:
            works.wrong(f"channel select {way}", "mux")
            if way == "refused":
                mux.manner = Deaf()
        if astray and way == "forgotten":
            mux.channels = 0
        else:
            yield from works.driver.write(address, select)
        yield 30_000
        outcome = yield from works.exchange(part, bytes([part.register]), part.length)
        if not (astray and way == "refused"):
            yield 30_000
            yield from works.driver.write(address, bytes([0]))
        return outcome

    works.usual = usual


def _twin(bus: Bus, works: Works, hold_ns: int) -> Sensor:
    """Another part of the same address."""
    return Sensor(bus, works.part, works.dice("same address"), hold_ns=hold_ns)

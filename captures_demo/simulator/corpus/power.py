"""Supplies and connectors: dips, parts without power, contacts that bounce, parts that restart."""

from __future__ import annotations

from dataclasses import replace

from captures_demo.simulator.controller import Outcome
from captures_demo.simulator.corpus.parts import AT_RESET, CONFIG, SET_UP, Sensor
from captures_demo.simulator.corpus.variant import MILLI, Variant
from captures_demo.simulator.corpus.works import Works
from captures_demo.simulator.manners import Deaf, Manner
from captures_demo.simulator.schedule import Program


def supply_dip(works: Works) -> None:
    """The supply droops for less than a ms: every part restarts, each in its own time.

    Source: SerialWombat 9; nuttx PR 16745 (registers cleared by an undervoltage).
    """
    dice, period_ns = works.dice("place"), works.variant.period_ns
    boots = [dice.between(24, 60) * period_ns]
    boots += [dice.between(6, 14) * period_ns for _ in works.others]
    browns_out, boot_ns = dice.chance(0.3), dice.between(8, 15) * MILLI

    def dip() -> Program[Outcome]:
        works.wrong("all parts restart", "i2c-1")
        for sensor, part_boot_ns in zip((works.victim, *works.others), boots, strict=True):
            sensor.power_cycle()
            sensor.registers[CONFIG] = AT_RESET
            sensor.count = 0
            sensor.manner = Deaf()
            works.schedule.start(_back(works, sensor, part_boot_ns))
        if browns_out:
            works.reset("brown-out", boot_ns=boot_ns)
            yield 0
        return (yield from works.read(works.victim))

    works.at_place(dip)


def _back(works: Works, sensor: Sensor, after_ns: int) -> Program[None]:
    yield after_ns
    sensor.manner = Manner()


def clamped_bus(works: Works) -> None:
    """The board switches off the feeder's supply; the feeder's pins pull both lines down.

    Source: EnviroDIY logger 22, ModularSensors 176; circuitpython 2635; koruza 9.
    """
    dice = works.dice("place")
    lag_ns, comes_back = dice.between(300, 2_500) * 1_000, dice.chance(0.5)
    words = dice.pick(
        (("feeder: supply off", "feeder: supply on"), ("pwr 5V aux -> 0", "pwr 5V aux -> 1"))
    )
    bus, masks = works.bus, (works.bus.driver(), works.bus.driver())

    def switch_off() -> Program[Outcome]:
        works.board.print("I", words[0])
        works.wrong("both lines low without the feeder's supply", "feeder")
        yield lag_ns
        for line, mask in zip((bus.sda, bus.scl), masks, strict=True):
            bus.hold(line, mask, "feeder")
        if comes_back:
            back_ns = (works.variant.dead - 3) * works.variant.period_ns
            works.schedule.start(switch_on(), at_ns=works.schedule.now_ns + back_ns)
        return (yield from works.read(works.victim))

    def switch_on() -> Program[None]:
        works.board.print("I", words[1])
        yield lag_ns // 2
        for hold, mask in zip(bus.holds[-1:-3:-1], masks[::-1], strict=True):
            bus.let_go(hold, mask)

    works.at_place(switch_off)


def hot_insertion(works: Works) -> None:
    """The part's connector is pulled and bounces: short lows of both lines, a START by nobody.

    Source: SCPA069, section on hot insertion.
    """
    dice = works.dice("place")
    bounces = [dice.between(2, 60) * 1_000 for _ in range(dice.between(3, 8))]
    phantom_ns = dice.between(120, 900) * MILLI
    away = dice.between(24, 40) * works.variant.period_ns
    bus, masks = works.bus, (works.bus.driver(), works.bus.driver())

    def pull() -> Program[Outcome]:
        works.wrong(f"connector bounces {len(bounces)} times")
        works.victim.power_cycle()
        works.victim.manner = Deaf()
        for width_ns in bounces:
            if not bus.scl.driven:
                break
            bus.scl.pull(masks[0])
            bus.sda.pull(masks[1])
            bus.ledger.fall()
            yield width_ns
            bus.sda.release(masks[1])  # the data pin is the shorter one
            yield works.variant.rise_ns + 200
            bus.scl.release(masks[0])
            yield bus.scl.rise_within(10**9)
            bus.ledger.rise(bus.sda.driven)
            yield dice.between(20, 400) * 1_000
        hold = bus.hold(bus.sda, masks[1], "connector")
        works.schedule.start(let_go(hold), at_ns=works.schedule.now_ns + phantom_ns)
        works.schedule.start(
            _back(works, works.victim, 0), at_ns=works.schedule.now_ns + phantom_ns + away
        )
        return (yield from works.read(works.victim))

    def let_go(hold: object) -> Program[None]:
        bus.let_go(bus.holds[-1], masks[1])
        yield 0

    works.at_place(pull)


def config_amnesia(works: Works) -> None:
    """The part restarts by itself and goes on with its values at reset.

    The firmware reads the configuration register now and then and believes nothing of it. Source:
    particle thread 37451; r-map 359; nuttx PR 16745.
    """
    dice, victim, part = works.dice("place"), works.victim, works.part
    every, shrunk, constant = dice.between(8, 14), dice.pick((4, 8, 16)), dice.chance(0.4)

    def usual(number: int) -> Program[Outcome]:
        if number == 1:
            yield from works.driver.write(part.address, bytes([CONFIG, SET_UP]))
            yield 200_000
        if number % every == 0:
            seen = yield from works.exchange(part, bytes([CONFIG]), 1)
            works.board.print("I", f"{part.name}: config {seen.data.hex()}")
            yield 200_000
        return (yield from works.read(victim))

    def restart() -> Program[Outcome]:
        victim.power_cycle()
        victim.registers[CONFIG] = AT_RESET
        victim.scale, victim.count = shrunk, 0
        works.wrong(f"restarts; its values are a part of {shrunk}")
        if constant:
            victim.put(0, victim.level // shrunk)
            victim.frozen = True
        return (yield from usual(works.polled))

    works.usual = usual
    works.at_place(restart)


def read_back(variant: Variant) -> Variant:
    """The configuration register is read as well."""
    joined = variant.with_part(pec=False).joined(("config", CONFIG, 1))
    return replace(joined, settings=CONFIG)

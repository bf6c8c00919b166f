"""Parts that do not answer, or answer with what means nothing."""

from __future__ import annotations

from dataclasses import replace

from captures_demo.simulator.controller import Outcome
from captures_demo.simulator.corpus.parts import CONFIG, Sensor
from captures_demo.simulator.corpus.variant import Variant
from captures_demo.simulator.corpus.works import Works
from captures_demo.simulator.manners import Deaf, Filler, Manner
from captures_demo.simulator.schedule import Program

QUIET = Outcome("quiet")  # the board does not speak of it


def deaf_target(works: Works) -> None:
    """It leaves its address unacknowledged from now on, and nothing tells why."""

    def deaf() -> Program[Outcome]:
        works.wrong("no ACK of its address any more")
        works.victim.manner = Deaf()
        return (yield from works.read(works.victim))

    works.at_place(deaf)


def busy_target(works: Works) -> None:
    """After one command it is busy, always for about as long, and then well again: no fault.

    Source: embedded-sht 78; embedded-sps PR 31; circuitpython 9765; mlx90632 31.
    """
    dice, victim, part = works.dice("place"), works.victim, works.part
    every, nacks = dice.between(16, 24), dice.between(5, 9)
    busy_ns = nacks * works.variant.period_ns - works.variant.period_ns // 2
    first = works.variant.place - 2 * every

    def usual(number: int) -> Program[Outcome]:
        if number >= first and (number - first) % every == 0:
            yield from works.driver.write(part.address, bytes([CONFIG, 0x5A]))  # save the settings
            if not works.healthy:
                works.wrong(f"busy for {nacks} polls after each command")
                victim.manner = Deaf()
                works.schedule.start(ready(), at_ns=works.schedule.now_ns + busy_ns)
            yield 100_000
        return (yield from works.read(victim))

    def ready() -> Program[None]:
        victim.manner = Manner()
        yield 0

    works.usual = usual


def with_settings(variant: Variant) -> Variant:
    """Its settings are written now and then."""
    return replace(variant.with_part(pec=False), settings=CONFIG)


def frozen_target(works: Works) -> None:
    """The bus is perfect and the content never changes again, its check byte is right.

    Source: ESPEasy 871; qwiic_vl53l1x 1; DHT20 8; wluma 157.
    """

    def freeze() -> Program[Outcome]:
        works.wrong("count and value stand still")
        works.victim.frozen = True
        return (yield from works.read(works.victim))

    works.at_place(freeze)


def released_line(works: Works) -> None:
    """It acknowledges its address and sends nothing: all ones, the check byte as well.

    Source: i2c-exp-driver 19; devkit-sdk 922; mbed-os 4220, and others named in the catalogue.
    """

    def silent() -> Program[Outcome]:
        works.wrong("nobody drives SDA in its replies")
        works.victim.manner = Filler()
        return (yield from works.read(works.victim))

    works.at_place(silent)


def address_clash(works: Works) -> None:
    """A second part wakes up at the same address; what is read is the AND of both.

    Source: Loom 157 (mux and sonar share 0x70); sonic kernel 348.
    """
    hold_ns = works.variant.timing.hold_data_ns
    second = Sensor(works.bus, works.part, works.dice("second part"), hold_ns=hold_ns)
    second.manner = Deaf()

    def wake() -> Program[Outcome]:
        works.wrong(f"two parts at {works.part.address:02x}")
        works.board.print("I", "feeder: light barrier on")
        second.manner = Manner()
        return (yield from works.read(works.victim))

    works.at_place(wake)


def missed_data_ready(works: Works) -> None:
    """The part's data-ready line stays asserted; the handler waits for another edge.

    Source: zephyr PR 116208, 57559, PR 107202; PX4 PR 14605; mynewt PR 1136.
    """
    dice = works.dice("place")
    line = works.lines.get("drdy")  # captured in some variants only
    mask, latency_ns = works.bus.driver(), dice.between(20, 90) * 1_000
    edge_ns = dice.between(1, 4) * 1_000

    def usual(number: int) -> Program[Outcome]:
        if line is not None:
            line.pull(mask)
        yield latency_ns
        outcome = yield from works.read(works.victim)
        if line is not None:
            line.release(mask)
        return outcome

    def missed() -> Program[Outcome]:
        outcome = yield from usual(works.polled)
        yield edge_ns  # the next sample is there before the handler has left
        works.wrong("data ready asserted for good, nobody reads")
        if line is not None:
            line.pull(mask)
        return outcome

    def waits() -> Program[Outcome]:
        yield 0
        return QUIET

    works.usual = usual
    works.at_place(missed)
    works.afterwards(waits)

"""What firmware runs out of, and what it trips over: ticks, handles, heap, interrupts."""

from __future__ import annotations

from dataclasses import replace

from captures_demo.simulator.controller import Outcome
from captures_demo.simulator.corpus.variant import MILLI, SECOND, Variant
from captures_demo.simulator.corpus.works import BOOT_NS, TIMEOUT, Works
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.manners import Refusing
from captures_demo.simulator.schedule import Program

NEEDED = 2_312  # bytes of the buffer of one transfer


def wraps(variant: Variant) -> Variant:
    """The board's counter begins so that it wraps at the place of the failure.

    The wraps are those a bench can preset: 2^31 and 2^32 us, 2^31 and 2^32 ms.
    """
    dice = Dice(variant.seed, "wrap")
    top = dice.pick((2**31, 2**32)) * (variant.tick_unit_ns // 1_000)
    before_us = (variant.place * variant.period_ns + variant.period_ns // 3) // 1_000
    return replace(variant, tick_first=top - before_us).lasting(2 * SECOND)


def tick_rollover(works: Works) -> None:
    """A comparison breaks when the counter wraps: what waits for a time waits for ever.

    What is driven by messages goes on. Source: MH-Z-CO2 31; senseBox OER 17; opentx 1156; makair 48
    (71 min).
    """
    variant, clock = works.variant, works.board.clock
    unit_us = variant.tick_unit_ns // 1_000
    half = 2**31 * unit_us
    top_us = (variant.tick_first // half + 1) * half

    def stop() -> Program[None]:
        yield 0
        works.wrong(f"counter at {top_us // unit_us}", "controller")
        works.timers_run = False

    if not works.healthy:
        works.schedule.start(stop(), at_ns=clock.true(top_us * 1_000))


def at_a_limit(variant: Variant) -> Variant:
    """The failure comes at a number that a signed or unsigned byte cannot pass."""
    dice = Dice(variant.seed, "limit")
    place = dice.pick((125, 127, 128, 253, 255, 256))
    return replace(variant, place=place, period_ns=variant.period_ns // 2 + 10 * MILLI)


def counter_runs_out(works: Works) -> None:
    """Every poll opens a handle that nobody closes; the table is full.

    Source: AmpliPi 1065; am2320 2, 5; pcf8574 1; monitorcontrol 247; esp-idf 12878.
    """
    says = works.dice("place").chance(0.5)

    def full() -> Program[Outcome]:
        works.wrong(f"{works.variant.place} handles in use", "controller")
        if says:
            works.board.print("E", "i2c: open failed, errno 24")
        yield 30_000
        return TIMEOUT

    works.from_place(full)


def heap_starvation(works: Works) -> None:
    """The largest free block shrinks with every reconnect, until a transfer's buffer has no room.

    Source: ESPresense PR 2453 (2312 bytes failing at 25 KB free); esp-idf 6286; nodemcu PR 2256.
    """
    dice, variant = works.dice("place"), works.variant
    steps = dice.between(6, 11)
    lost = (works.block - NEEDED) // steps + dice.between(20, 90)
    every_ns = variant.place * variant.period_ns // steps

    def reconnects() -> Program[None]:
        yield BOOT_NS + every_ns // 2
        while True:
            works.board.print("W", "net: link lost")
            yield 90 * MILLI
            if not works.healthy:
                works.heap -= 64
                works.block = max(1_640, works.block - lost)
            works.board.print("I", f"net: connected, heap {works.heap} block {works.block}")
            yield every_ns - 90 * MILLI

    def usual(_: int) -> Program[Outcome]:
        if works.block >= NEEDED:
            return (yield from works.read(works.victim))
        works.wrong(f"no block of {NEEDED} bytes", "controller")
        works.says.telling = False
        free, block = works.heap, works.block
        works.board.print("E", f"alloc {NEEDED} failed, free {free} largest {block}")
        yield 10_000
        return TIMEOUT

    works.usual = usual
    works.schedule.start(reconnects())


def longer(variant: Variant) -> Variant:
    """Room for several restarts."""
    return replace(variant, dead=variant.dead + 30)


def interrupt_storm(works: Works) -> None:
    """An error flag is never cleared: the handler loops until the watchdog resets, again and again.

    Source: esp-idf 1503, 13587, 13647; particle device-os 776.
    """
    dice, part = works.dice("place"), works.part
    watchdog_ns, good_polls = dice.between(150, 400) * MILLI, dice.between(3, 6)
    since = [0]

    def storm() -> Program[Outcome]:
        since[0] += 1
        works.victim.manner = Refusing(0)
        yield from works.driver.start()
        if (yield from works.driver.write_byte(part.address << 1)):
            yield from works.driver.write_byte(part.register)
        works.wrong("error flag set by a NACK", "controller")
        yield from works.driver.abort()
        if since[0] % good_polls == 1:
            works.reset("watchdog", boot_ns=watchdog_ns)
            return Outcome("quiet")
        return Outcome("data-nack")

    works.from_place(storm)


class Uart:
    """One direction of a serial line, 8N1, in the capture when the line is."""

    def __init__(self, works: Works, name: str, baud: int) -> None:
        self._line = works.lines[name]
        self._mask = works.bus.driver()
        self._bit_ns = SECOND // baud

    def send(self, data: bytes) -> Program[None]:
        """Bytes at the full rate of the line."""
        for value in data:
            for level in (0, *(value >> bit & 1 for bit in range(8)), 1):
                if level:
                    self._line.release(self._mask)
                else:
                    self._line.pull(self._mask)
                yield self._bit_ns


def deaf_uart(works: Works) -> None:
    """An overrun stops the board's receiver; what is sent to it goes on over the wire.

    Source: stm32h7xx-hal 17; stm32u5xx-hal 23; mbed-os 1605; libopencm3 918; stm32f4xx-hal 877.
    """
    dice, variant = works.dice("place"), works.variant
    baud = dice.pick((9_600, 19_200, 57_600))
    out, back = Uart(works, "scale_rx", baud), Uart(works, "scale_tx", baud)
    weights, hears = works.dice("weights"), [True]
    period_ns = max(variant.period_ns, 400 * SECOND // baud)
    fails_at = variant.place * variant.period_ns // period_ns * 2 // 3

    def scale() -> Program[None]:
        yield BOOT_NS + 31 * MILLI
        number = 0
        while works.schedule.now_ns < works.end_ns - 60 * MILLI:
            number += 1
            begun_ns = works.schedule.now_ns
            yield from out.send(b"W\r\n")
            yield 2 * MILLI
            weight = weights.between(1_000, 60_000)
            if number == fails_at:
                yield from back.send(b"# tare ok\r\n# zero tracking on\r\n")
                if not works.healthy:
                    works.wrong("receiver off after a burst at the full rate", "scale")
                    hears[0] = False
            yield from back.send(f"{weight} g\r\n".encode())
            if hears[0]:
                works.board.print("I", f"scale: {weight} g, request {number}")
                works.says.publish("capline/scale/state", weight=weight)
            else:
                works.board.print("W", f"scale: timeout, request {number}")
            yield max(MILLI, begun_ns + period_ns - works.schedule.now_ns)

    works.schedule.start(scale())

"""The way between board and broker: what is lost in it, and who is thrown out."""

from __future__ import annotations

from dataclasses import replace

from captures_demo.simulator.controller import Outcome
from captures_demo.simulator.corpus.sessions import (
    BOARD_ADDRESS,
    OTHER_ADDRESS,
    place_ns,
    seconds,
    session_of,
)
from captures_demo.simulator.corpus.variant import MILLI, SECOND, Variant
from captures_demo.simulator.corpus.works import BOOT_NS, NEVER_GIVES_UP_NS, Works
from captures_demo.simulator.schedule import Program


def at_most_once_loss(works: Works) -> None:
    """What was under way with QoS 0 when the link dropped never arrives.

    Source: pubsubclient 885; grownode 28.
    """
    dice, session = works.dice("place"), session_of(works)
    drops, period_ns = dice.between(3, 6), works.variant.period_ns
    gap_ns = (works.end_ns - place_ns(works)) // (drops + 1)

    def drop() -> Program[None]:
        for _ in range(drops):
            # the last message or two are in the sender's buffer when the link breaks
            works.up.loss_rate = 1.0
            works.wrong("messages in flight when the link drops", "controller")
            yield dice.between(period_ns + 10 * MILLI, 2 * period_ns + 30 * MILLI)
            session.down()
            session.dropped("connection reset")
            yield dice.between(60, 200) * MILLI
            session.back()
            yield gap_ns
        yield 0

    if not works.healthy:
        works.schedule.start(drop(), at_ns=place_ns(works))


def half_open_variant(variant: Variant) -> Variant:
    """Long enough for the keep-alive to notice, and for some time after."""
    keepalive_s = 2 + variant.number % 3
    dead = 24 + int(2.2 * keepalive_s * SECOND / variant.period_ns)
    return replace(variant, dead=dead)


def half_open(works: Works) -> None:
    """The peer is gone; publishing "succeeds" until the keep-alive gives up.

    Source: paho.golang 449; async-mqtt-client 213.
    """
    keepalive_s = 2 + works.variant.number % 3
    session = session_of(works, keepalive_s=keepalive_s)
    late_ns = works.dice("place").between(0, 400) * MILLI

    def gone() -> Program[None]:
        yield 0
        works.wrong(f"peer gone, keep-alive {keepalive_s} s", "controller")
        works.up.loss_rate = works.down.loss_rate = 1.0
        yield keepalive_s * SECOND + late_ns
        works.board.print("W", "net: no ping answer")
        session.down()
        yield keepalive_s * SECOND // 5
        session.dropped("keep-alive timeout")
        yield 40 * MILLI
        session.back()

    if not works.healthy:
        works.schedule.start(gone(), at_ns=place_ns(works))


def client_id_duel(works: Works) -> None:
    """Two clients have one id; each CONNECT throws the other one out (MQTT 5: reason 0x8E).

    Source: OPC UA .NET 2653; emqx 935; mqtt_client 273; nest-mqtt 21.
    """
    dice, session = works.dice("place"), session_of(works)
    back_off_ns = dice.between(150, 500) * MILLI
    other = [51_000]

    def duel() -> Program[None]:
        yield 0
        works.wrong(
            f"a second client of the same id, back-off {seconds(back_off_ns)} s", "controller"
        )
        while True:
            other[0] += 1
            session.dropped("session taken over", code=0x8E, **_from(BOARD_ADDRESS, session.port))
            session.log(
                "connect",
                **_from(OTHER_ADDRESS, other[0]),
                clean=True,
                present=False,
                keepalive=session.keepalive_s,
            )
            session.down()
            yield back_off_ns + dice.below(20) * MILLI
            session.dropped("session taken over", code=0x8E, **_from(OTHER_ADDRESS, other[0]))
            session.back()
            yield back_off_ns + dice.below(20) * MILLI

    if not works.healthy:
        works.schedule.start(duel(), at_ns=place_ns(works))


def _from(address: str, port: int) -> dict[str, object]:
    return {"from": f"{address}:{port}"}


def keep_alive_variant(variant: Variant) -> Variant:
    """Room for a call that lasts longer than the keep-alive."""
    return replace(variant, dead=30 + int(4 * SECOND / variant.period_ns))


def keep_alive_starvation(works: Works) -> None:
    """One call on the bus blocks the whole loop; the broker hears nothing and lets go.

    A broker drops a client at 1.5 keep-alives (MQTT 3.1.1 section 3.1.2.10). Source: pubsubclient
    399; 256dpi library 231; CO2-Ampel PR 24.
    """
    dice, keepalive_s = works.dice("place"), 1 + works.variant.number % 2
    session = session_of(works, keepalive_s=keepalive_s)
    limit_ns = keepalive_s * SECOND * 3 // 2
    blocked_ns = limit_ns + dice.between(100, 500) * MILLI
    works.driver.stretch_limit_ns = NEVER_GIVES_UP_NS

    def block() -> Program[Outcome]:
        begun_ns = works.schedule.now_ns
        works.victim.slow_ns = blocked_ns
        works.wrong(f"a read of {seconds(blocked_ns)} s, keep-alive {keepalive_s} s")
        works.up_ns = begun_ns + blocked_ns + 5 * MILLI  # nothing else runs meanwhile
        session.later(limit_ns, drop())
        outcome = yield from works.read(works.victim)
        works.victim.slow_ns = 0
        return outcome

    def drop() -> Program[None]:
        session.dropped("keep-alive timeout")
        works.down.loss_rate = 1.0
        yield blocked_ns - limit_ns + 10 * MILLI
        session.down()
        yield 120 * MILLI
        session.back()

    works.at_place(block)


def reconnect_storm(works: Works) -> None:
    """Connections come and go ever faster, each costs heap, and at last the bus driver has none.

    Source: async-mqtt-client 203; nodemcu PR 2256.
    """
    dice, session = works.dice("place"), session_of(works)
    step = dice.between(300, 600)

    def storm() -> Program[None]:
        wait_ns = place_ns(works) // 5
        yield BOOT_NS + wait_ns
        while True:
            works.wrong("reconnects, each faster and each for some heap", "controller")
            session.down()
            session.dropped("connection reset")
            yield 30 * MILLI
            session.back()
            works.heap = max(2_000, works.heap - step)
            works.block = max(1_700, works.block - 2 * step)
            works.board.print("I", f"net: heap {works.heap} block {works.block}")
            wait_ns = max(160 * MILLI, wait_ns * 4 // 5)
            yield wait_ns

    def no_room() -> Program[Outcome]:
        yield 10_000
        return Outcome("timeout")

    if not works.healthy:
        works.schedule.start(storm())
    works.from_place(no_room)

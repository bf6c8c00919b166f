"""Messages that arrive and do not do what they should: lost for size, twice, stale, changed."""

from __future__ import annotations

import msgspec

from captures_demo.simulator.corpus.diverter import COMMAND
from captures_demo.simulator.corpus.sessions import place_ns, session_of
from captures_demo.simulator.corpus.variant import MILLI
from captures_demo.simulator.corpus.works import BOOT_NS, Works
from captures_demo.simulator.network import FROM_BROKER, Message
from captures_demo.simulator.run import MessageTruth
from captures_demo.simulator.schedule import Program

CAPS = ("green", "gold", "red", "white", "blue", "black")
SEEN = "capline/camera/caps"
FIXED_HEADER = 5  # of MQTT's PUBLISH, and two bytes of the topic's length, as clients count it


def subscription_not_restored(works: Works) -> None:
    """After a reconnect with a clean session nobody subscribes again; publishing works.

    The twin has the same reconnect and subscribes. Source: paho.cpp 171; paho.android 211;
    mqtt_client 349.
    """
    session = session_of(works)
    away_ns = works.dice("place").between(80, 400) * MILLI

    def reconnect() -> Program[None]:
        session.down()
        session.dropped("connection reset")
        yield away_ns
        if not works.healthy:
            works.wrong("connected again without a subscription", "controller")
            works.broker.unsubscribe(works.board.name)
        session.back(subscribes=works.healthy)

    works.schedule.start(reconnect(), at_ns=place_ns(works))


def oversize_drop(works: Works) -> None:
    """Messages longer than the client's buffer vanish in the client, and nothing is said.

    Source: pubsubclient 364, 765, 356, 217, PR 981.
    """
    dice, caps = works.dice("place"), works.dice("caps")
    buffer = dice.pick((128, 128, 160, 192))
    session_of(works)

    def tell() -> Program[None]:
        yield BOOT_NS + 60 * MILLI
        number = 0
        while works.schedule.now_ns < works.end_ns - 50 * MILLI:
            number += 1
            seen = [caps.pick(CAPS) for _ in range(caps.below(28))]
            payload = msgspec.json.encode({"n": number, "caps": seen}).decode()
            works.board.print("D", f"net: sent {SEEN} n {number}")
            if FIXED_HEADER + len(SEEN) + len(payload) > buffer and not works.healthy:
                works.wrong(f"buffer of {buffer} bytes", SEEN)
                now_ns = works.schedule.now_ns
                lost = MessageTruth(
                    works.board.name, SEEN, payload, now_ns, -1, "to-broker", copies=0
                )
                works.broker.messages.append(lost)
            else:
                works.broker.publish(works.board.name, SEEN, payload, works.up)
            yield works.variant.period_ns + caps.below(9 * MILLI)

    works.schedule.start(tell())


def redelivery(works: Works) -> None:
    """Commands of QoS 1 come again after a reconnect, and are carried out again.

    The twin has the same reconnects. Source: MQTT.js 692; paho.golang 487, 649; esp-mqtt 151;
    fusesource 120.
    """
    dice, session = works.dice("place"), session_of(works)
    marked = dice.chance(0.5)  # whether DUP is set; by many clients it is not
    every_ns = (works.end_ns - place_ns(works)) // 4

    def again() -> Program[None]:
        while True:
            before = [m for m in works.broker.messages if m.topic == COMMAND and m.arrived_ns >= 0]
            session.down()
            session.dropped("connection reset")
            yield 70 * MILLI
            session.back(present=True)
            if before and not works.healthy:
                message = before[-1]
                works.wrong("a command is delivered again after a reconnect", COMMAND)
                works.broker.record(
                    COMMAND,
                    message.payload,
                    qos=1,
                    dup=marked,
                    client=works.board.name,
                    direction=FROM_BROKER,
                )
                message.copies += 1
                works.diverter.deliver(Message(COMMAND, message.payload))
            yield every_ns

    works.schedule.start(again(), at_ns=place_ns(works))


def stale_retained_command(works: Works) -> None:
    """A command that was retained long ago is delivered at every subscription, and obeyed.

    The twin restarts as well. Source: EMS-ESP32 2179; OpenMQTTGateway 102; Tasmota 2809.
    """
    dice, session = works.dice("place"), session_of(works)
    old = msgspec.json.encode({"n": 0, "gate": dice.pick(("left", "right")), "at": "08:41:07"})
    lag_ns = dice.between(2, 9) * MILLI

    def restart() -> Program[None]:
        session.dropped("connection reset")
        works.reset("software", boot_ns=60 * MILLI)
        yield 80 * MILLI
        session.back()
        yield lag_ns
        if not works.healthy:
            works.wrong("a retained command at subscription", COMMAND)
            works.broker.record(
                COMMAND,
                old.decode(),
                qos=1,
                retain=True,
                client=works.board.name,
                direction=FROM_BROKER,
            )
            works.diverter.deliver(Message(COMMAND, old.decode()))

    works.schedule.start(restart(), at_ns=place_ns(works))


def schema_drift(works: Works) -> None:
    """New firmware names, nests or writes its fields otherwise.

    Source: ebusd 1370; EMS-ESP 731, 485; insteon-mqtt 425; enviro 49; open3e 337.
    """
    dice, session = works.dice("place"), session_of(works)
    way = dice.pick(("renamed", "nested", "as text"))

    def drifted(number: int, value: int) -> dict[str, object]:
        if way == "renamed":
            return {"count": number, "val": value}
        if way == "nested":
            return {"count": number, "sample": {"value": value}}
        return {"count": number, "value": str(value)}

    def update() -> Program[None]:
        works.wrong(f"field value {way} from build 42 on", f"capline/{works.part.name}/state")
        works.build = 42
        works.says.shape = drifted
        session.dropped("connection reset")
        works.reset("software", boot_ns=50 * MILLI)
        yield 70 * MILLI
        session.back()

    if not works.healthy:
        works.schedule.start(update(), at_ns=place_ns(works))


def delivered_but_ignored(works: Works) -> None:
    """Commands arrive at the board, which is busy with its menu and drops them.

    Source: loxMqttRelay 23 (failures should be observable).
    """
    session_of(works)
    from_ns = place_ns(works)

    def heeds(number: int) -> bool:
        ignored = works.schedule.now_ns >= from_ns and not works.healthy
        if ignored:
            works.wrong("commands are dropped", COMMAND)
        return not ignored

    works.diverter.heeds = heeds

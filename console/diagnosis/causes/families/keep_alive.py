"""A long call, of the bus or of a sensor, that costs the link: a fault of the bus in a mask."""

from __future__ import annotations

import polars as pl

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
)
from console.diagnosis.causes.faces import (
    CLOCK_HELD,
    DATA_HELD,
    HEALTHY_BUS,
    SILENT_COMPLAINED,
    UNANSWERED,
)
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.standing import blocked_before, stood_before
from console.diagnosis.scene import Scene
from decoders.durations import in_words


def keep_alive_starvation(_scene: Scene, facts: Facts) -> Answer:
    """One long call, of the bus or a sensor, keeps the client from its keep-alive."""
    blocked = facts.run.once(blocked_before)
    bus = [each for each in blocked if _long_on_bus(facts, *each)]
    return judged(
        needed(
            stood_before(facts.run) if facts.run.has_prints else None,
            f"before the link was lost the board stood for "
            f"{in_words(max((b - a for a, b in blocked), default=0))}",
            "the board was at work until the link was lost",
            "whether the board stood: there is no log of it",
            strength=STRONG,
            at=Place("prints", blocked[0][0]) if blocked else Place(),
        ),
        telling(
            _said_keep_alive(facts) or None,
            "the broker says that the keep-alive ran out",
            "",
            "why the broker let go: it does not say",
            strength=FAIR,
        ),
        telling(
            True if bus else False if _captured(facts, blocked) else None,
            "one transfer or a held line on the bus lasted as long",
            "the bus shows nothing that lasted as long",
            "what held it up: the bus was not captured then",
            strength=FAIR,
        ),
        telling(
            len(blocked) >= 0.6 * max(len(facts.run.placed_link.lost_ns), 1),
            "it is so before most losses",
            "other losses have no such call before them",
        ),
    )


def _captured(facts: Facts, spans: list[tuple[int, int]]) -> bool:
    """Whether the bus was watched over all of these spans."""
    known = all(facts.scene.knows("capture", *span) for span in spans)
    return facts.traffic.bus.height > 0 and known


def _said_keep_alive(facts: Facts) -> bool:
    """Whether the broker's log gives the keep-alive as its reason (0x8D of MQTT 5.0)."""
    gone = [each.members for each in facts.run.link.broker if each.event == "disconnect"]
    return any("keep" in str(m.get("reason", "")).lower() or m.get("code") == 0x8D for m in gone)


def _long_on_bus(facts: Facts, begin: int, end: int) -> bool:
    """Whether a transaction or a held line covers half of a span."""
    half = (end - begin) // 2
    states = facts.scene.table("line_states").filter(
        pl.col("state").is_in(["sda-held", "scl-held", "both-held"])
        & ((pl.col("end_ns") - pl.col("start_ns")) >= half)
        & (pl.col("end_ns") > begin)
        & (pl.col("start_ns") < end)
    )
    rows = facts.traffic.bus.filter(
        ((pl.col("end_ns") - pl.col("start_ns")) >= half)
        & (pl.col("end_ns") > begin)
        & (pl.col("start_ns") < end)
    )
    asked = facts.traffic.bus.filter(pl.col("start_ns").is_between(begin, end))
    nacked = asked.filter(~pl.col("answered"))
    busy = nacked.height >= 5 and nacked.height > 0.8 * asked.height
    return states.height > 0 or rows.height > 0 or busy


CAUSES = (
    Cause(
        "keep-alive-starvation",
        "One long call kept the client from its keep-alive: a fault of the bus in a network mask",
        "network",
        (HEALTHY_BUS, DATA_HELD, CLOCK_HELD, UNANSWERED, SILENT_COMPLAINED),
        1.5,
        ("prints",),
        keep_alive_starvation,
        ("longer-keep-alive", "network-off"),
        "",
        "MQTT 3.1.1 section 3.1.2.10: dropped at 1.5 times the keep-alive",
    ),
)

"""What the payload itself brings about: too long for a buffer, or of another form than before."""

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
    unless,
)
from console.diagnosis.causes.faces import HEALTHY_BUS
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.sizes import size_edge
from console.diagnosis.causes.topics import Topic
from console.diagnosis.scene import Scene
from console.watch.findings import counted

_S = 1_000 * MS


def oversize_drop(_scene: Scene, facts: Facts) -> Answer:
    """Messages longer than a client's buffer are dropped without a word."""
    edge = facts.run.once(size_edge)
    return judged(
        needed(
            None if edge is None else edge.sharp,
            edge.words if edge else "long messages are lost",
            "loss does not depend on length",
            "which messages are lost, and how long they are: nothing tells",
            strength=STRONG,
            at=Place("messages", edge.first_lost_ns) if edge else Place(),
        ),
        needed(
            edge is not None and edge.lost >= 3 and edge.kept >= 5,
            "there are enough of both to tell",
            "there are too few to tell",
            strength=FAIR,
        ),
        unless(len(facts.run.link.lost_ns) > 0, "the link was lost meanwhile"),
    )


def schema_drift(_scene: Scene, facts: Facts) -> Answer:
    """A field is renamed, nested or of another type, as of one moment."""
    changes = [found for topic in facts.run.topics if (found := _keys_changed(topic)) is not None]
    near = [t for t in changes if _version_near(facts, t)]
    return judged(
        needed(
            bool(changes) if facts.run.has_messages else None,
            f"{_fields_of(len(changes))} change at one moment, for good",
            "no topic changes the names or types of its fields for good",
            "whether fields change: no messages were recorded",
            strength=STRONG,
            at=Place("messages", changes[0]) if changes else Place(),
        ),
        telling(
            bool(near) if facts.run.has_prints else None,
            "as the firmware booted, or told its version",
            "the firmware did not boot then",
            "whether the firmware booted then: there is no log",
            strength=FAIR,
        ),
    )


def _fields_of(topics: int) -> str:
    return f"in {counted(topics, 'topic')} the names or types of fields"


def _keys_changed(topic: Topic) -> int | None:
    """When a topic's set of fields became another one and stayed so; both were steady."""
    keys = topic.keys
    if len(keys) < 8 or len(set(keys)) != 2 or "" in keys:
        return None
    cut = next(k for k, each in enumerate(keys) if each != keys[0])
    steady = all(each == keys[cut] for each in keys[cut:])
    return int(topic.t_ns[cut]) if steady and cut >= 4 and len(keys) - cut >= 3 else None


def _version_near(facts: Facts, t_ns: int) -> bool:
    begin, end = t_ns - 60 * _S, t_ns + 5 * _S
    version = facts.run.prints(begin, end, r"(?i)version|firmware|\bfw\b|\bbuild\b")
    boots = facts.run.restarts.filter(pl.col("t_ns").is_between(begin, end))
    return version.height + boots.height > 0


CAUSES = (
    Cause(
        "oversize-drop",
        "Messages longer than a buffer are dropped without a word",
        "network",
        (HEALTHY_BUS,),
        1.5,
        ("messages",),
        oversize_drop,
        ("length-sweep",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "schema-drift",
        "A field's name or type changed with the firmware",
        "network",
        (HEALTHY_BUS,),
        1.5,
        ("messages",),
        schema_drift,
        ("old-firmware",),
        "",
        "seen in public issue reports",
    ),
)

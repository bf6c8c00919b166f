"""What becomes of a message that was delivered: taken twice, or not at all."""

from __future__ import annotations

import numpy as np

from console.diagnosis.causes import prints_near as words
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
from console.diagnosis.causes.commands import reactions_of
from console.diagnosis.causes.faces import HEALTHY_BUS
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.sizes import size_edge
from console.diagnosis.scene import Int64s, Scene

_S = 1_000 * MS


def redelivery(_scene: Scene, facts: Facts) -> Answer:
    """The same message came again."""
    twice = _repeated(facts)
    marked = [t for t in twice if t[1]]
    near = _near_links(facts, np.array([t for t, _ in twice], np.int64))
    return judged(
        needed(
            bool(twice) if facts.has_messages else None,
            f"{len(twice)} messages came again, number and all",
            "no message came twice",
            "whether messages came twice: none were recorded",
            strength=STRONG,
            at=Place("messages", twice[0][0]) if twice else Place(),
        ),
        telling(bool(marked), "marked as duplicates", "not marked as duplicates"),
        telling(
            near,
            "as the link was found again",
            "at no time when the link was lost",
            "whether the link was lost then: there is no log",
        ),
    )


def _repeated(facts: Facts) -> list[tuple[int, bool]]:
    """Messages with a counter that repeats the one before with the same payload: when, marked."""
    found = []
    for topic in facts.topics:
        marked = topic.rows["duplicate"].fill_null(value=False).to_list()
        payload = topic.rows["payload"].to_list()
        counter = topic.counter
        for k in range(1, len(payload)):
            same = payload[k] == payload[k - 1] and counter is not None and counter[k] >= 0
            if (same and not topic.rows["retain"][k]) or marked[k]:
                found.append((int(topic.t_ns[k]), bool(marked[k])))
    return sorted(found)


def _near_links(facts: Facts, t_ns: Int64s) -> bool | None:
    moments = np.sort(
        np.concatenate([facts.link_of_messages.lost_ns, facts.link_of_messages.found_ns])
    )
    if not (facts.ordered or facts.link_of_messages.broker) or not len(t_ns):
        return None
    if not len(moments):
        return False
    at = np.clip(moments.searchsorted(t_ns), 1, len(moments)) - 1
    return bool(np.mean(np.abs(t_ns - moments[at]) < 20 * _S) >= 0.5)


def delivered_but_ignored(_scene: Scene, facts: Facts) -> Answer:
    """The command reached the board, and the firmware did nothing with it."""
    reactions = reactions_of(facts)
    ignored = [] if reactions is None else reactions.ignored(facts.link)
    return judged(
        needed(
            None if reactions is None else bool(ignored),
            f"{len(ignored)} commands were followed by no print and no act, "
            f"{0 if reactions is None else int(reactions.followed.sum())} were",
            "every command was followed",
            "whether commands are followed: none were recorded",
            strength=FAIR,
            at=Place("messages", ignored[0]) if ignored else Place(),
        ),
        needed(
            reactions is not None and float(reactions.followed.mean()) >= 0.5,
            "most commands are followed",
            "commands are seldom followed",
            strength=FAIR,
        ),
        needed(
            bool(ignored) and _link_was_up(facts, ignored),
            "the link was up then",
            "the link was not up then",
            strength=FAIR,
        ),
        unless(_by_size(facts), "those are the longest ones"),
        unless(
            words.matching(facts.scene.table("prints"), words.WATCHDOG).height > 1,
            "the watchdog restarted the firmware again and again",
        ),
        unless(
            reactions is not None
            and bool(len(facts.link.reconnects_ns))
            and reactions.split_at(facts.link.reconnects_ns) is not None,
            "they are all those after a reconnect",
        ),
    )


def _by_size(facts: Facts) -> bool:
    edge = size_edge(facts)
    return edge is not None and edge.sharp and edge.lost >= 3


def _link_was_up(facts: Facts, t_ns: list[int]) -> bool:
    """Whether at most of these moments the link had not been lost since it was last found."""
    lost, found = facts.link.lost_ns, facts.link.found_ns

    def up(t: int) -> bool:
        down = int(lost.searchsorted(t)) - 1
        back = int(found.searchsorted(t)) - 1
        return down < 0 or (back >= 0 and bool(found[back] > lost[down]))

    return sum(up(t) for t in t_ns) > len(t_ns) / 2


CAUSES = (
    Cause(
        "redelivery",
        "A message was delivered again, and taken for a new one",
        "network",
        (HEALTHY_BUS,),
        1.5,
        ("messages",),
        redelivery,
        ("qos-1", "clean-session"),
        "",
        "MQTT 3.1.1 sections 3.3.1.1 and 4.4",
    ),
    Cause(
        "delivered-but-ignored",
        "A command arrived, and the firmware did nothing with it",
        "network",
        (HEALTHY_BUS,),
        1.0,
        ("messages", "prints"),
        delivered_but_ignored,
        ("repeat-when-idle",),
        "",
        "inferred; seen in public issue reports as a wish to have it told",
    ),
)

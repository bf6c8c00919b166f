"""What becomes of a message that was delivered: taken twice, or not at all."""

from __future__ import annotations

import numpy as np
import polars as pl

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
from console.diagnosis.causes.commands import Reactions, reactions_of
from console.diagnosis.causes.faces import HEALTHY_BUS
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.sizes import size_edge
from console.diagnosis.causes.standing import blocked_before
from console.diagnosis.scene import Int64s, Scene
from console.watch.findings import counted

_S = 1_000 * MS


def redelivery(_scene: Scene, facts: Facts) -> Answer:
    """The same message came again."""
    twice = _repeated(facts)
    marked = [t for t in twice if t[1]]
    near = _near_links(facts, np.array([t for t, _ in twice], np.int64))
    reactions = facts.run.once(reactions_of)
    acted = [t for t, _ in twice if reactions is not None and reactions.acted_after(t)]
    return judged(
        needed(
            bool(twice) if facts.run.has_messages else None,
            f"{counted(len(twice), 'message')} came again, number and all",
            "no message came twice",
            "whether messages came twice: none were recorded",
            strength=STRONG,
            at=Place("messages", twice[0][0]) if twice else Place(),
        ),
        telling(
            bool(marked) or None,
            "marked as duplicates",
            unknown="whether it is the same: no duplicate mark, which many clients leave out",
        ),
        telling(
            bool(acted) or None,
            "the board acted on it again",
            unknown="whether the board acted on it again: no print tells",
            strength=FAIR,
        ),
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
    for topic in facts.run.topics:
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
        np.concatenate([facts.run.link_of_messages.lost_ns, facts.run.link_of_messages.found_ns])
    )
    if not (facts.run.ordered or facts.run.link_of_messages.broker) or not len(t_ns):
        return None
    if not len(moments):
        return False
    at = np.clip(moments.searchsorted(t_ns), 1, len(moments)) - 1
    return bool(np.mean(np.abs(t_ns - moments[at]) < 20 * _S) >= 0.5)


def delivered_but_ignored(_scene: Scene, facts: Facts) -> Answer:
    """The command reached the board, and the firmware did nothing with it."""
    reactions = facts.run.once(reactions_of)
    ignored = (
        [] if reactions is None else reactions.ignored(facts.run.link_of_messages, _unheard(facts))
    )
    return judged(
        needed(
            None if reactions is None else bool(ignored),
            _ignored_words(reactions, ignored),
            "every command that arrived was followed",
            "whether commands are followed: none were recorded",
            strength=FAIR,
            at=Place("messages", ignored[0]) if ignored else Place(),
        ),
        needed(
            reactions is not None and (reactions.ended or reactions.followed.mean() >= 0.5),
            "others were followed: the board can do it",
            "commands are seldom followed",
            strength=FAIR,
        ),
        needed(
            bool(ignored) and _link_was_up(facts, ignored),
            "the link was up then",
            "the link was not up then",
            strength=FAIR,
        ),
        unless(_undelivered(facts, ignored), "they went out with QoS 0, and no delivery is seen"),
        unless(_by_size(facts), "those are the longest ones"),
        unless(facts.run.link_of_messages.unsubscribed, "the board had not subscribed again"),
        unless(
            words.matching(facts.scene.table("prints"), words.WATCHDOG).height > 1,
            "the watchdog restarted the firmware again and again",
        ),
        unless(
            reactions is not None
            and bool(len(facts.run.link_of_messages.reconnects_ns))
            and reactions.split_at(facts.run.link_of_messages.reconnects_ns) is not None,
            "they are all those after a reconnect",
        ),
    )


def _ignored_words(reactions: Reactions | None, ignored: list[int]) -> str:
    if reactions is None or not ignored:
        return "a command was followed by no print and no act"
    verb = "was" if len(ignored) == 1 else "were"
    done = int(reactions.followed.sum())
    others = f"{counted(done, 'other')} {'was' if done == 1 else 'were'}"
    return f"{counted(len(ignored), 'command')} {verb} followed by no print and no act, {others}"


def _unheard(facts: Facts) -> list[tuple[int, int]]:
    """Spans in which nothing got through or the board stood."""
    holes = [(h.last_ns, h.next_ns) for t in facts.run.topics for h in t.holes if not t.is_command]
    return [*holes, *facts.run.once(blocked_before)]


def _undelivered(facts: Facts, t_ns: list[int]) -> bool:
    """Whether these were sent without an acknowledgement, and none is seen to go to the board.

    What is of QoS 1 or 2 is sent until it is acknowledged (MQTT 3.1.1 section 4.3).
    """
    commands = [topic for topic in facts.run.topics if topic.is_command]
    arrived = any(topic.direction == "from-broker" for topic in commands)
    rows = [topic.rows.filter(pl.col("t_ns").is_in(t_ns)) for topic in commands]
    loose = [bool((each["qos"].fill_null(0) == 0).all()) for each in rows if each.height]
    return bool(loose) and all(loose) and not arrived


def _by_size(facts: Facts) -> bool:
    edge = facts.run.once(size_edge)
    return edge is not None and edge.sharp and edge.lost >= 3


def _link_was_up(facts: Facts, t_ns: list[int]) -> bool:
    """Whether at most of these moments the link had not been lost since it was last found."""
    lost, found = facts.run.link_of_messages.lost_ns, facts.run.link_of_messages.found_ns

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

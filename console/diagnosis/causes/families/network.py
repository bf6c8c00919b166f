"""Causes between the board and its broker: what loses, doubles or ignores a message."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.diagnosis.causes import prints_near as words
from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    WEAK,
    Answer,
    Cause,
    Place,
    judged,
    needed,
    telling,
    unless,
)
from console.diagnosis.causes.commands import reactions_of
from console.diagnosis.causes.faces import (
    CLOCK_HELD,
    DATA_HELD,
    HEALTHY_BUS,
    SILENT_COMPLAINED,
    UNANSWERED,
)
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.printed_numbers import courses_of
from console.diagnosis.causes.sizes import size_edge
from console.diagnosis.causes.topics import Hole, Topic
from console.diagnosis.scene import Int64s, Scene
from decoders.durations import in_words

_S = 1_000 * MS
_NET = (HEALTHY_BUS,)
_KEEP_ALIVE_NS = (1 * _S, 120 * _S)  # keep-alives in use, times 1.5 (MQTT 3.1.1 section 3.1.2.10)


def _holes(facts: Facts) -> list[tuple[Topic, Hole]]:
    """Numbers left out in topics that are published without an acknowledgement."""
    return [(topic, hole) for topic in facts.topics for hole in topic.holes]


def _at_loss(facts: Facts, holes: list[tuple[Topic, Hole]]) -> list[tuple[Topic, Hole, int]]:
    """The holes within which the link was lost or found again, with that moment."""
    moments = np.sort(
        np.concatenate([facts.link_of_messages.lost_ns, facts.link_of_messages.found_ns])
    )
    found = []
    for topic, hole in holes:
        slack = topic.period_ns
        inside = moments[(moments >= hole.last_ns - slack) & (moments <= hole.next_ns + slack)]
        if len(inside):
            found.append((topic, hole, int(inside[0])))
    return found


def _hole_place(holes: list[tuple[Topic, Hole, int]]) -> Place:
    return Place("messages", holes[0][1].next_ns) if holes else Place()


def at_most_once_loss(_scene: Scene, facts: Facts) -> Answer:
    """A QoS 0 message was in flight as the link dropped."""
    holes = _holes(facts)
    at_loss = _at_loss(facts, holes)
    unacknowledged = [each for each in at_loss if _qos0(each[0])]
    few = [each for each in unacknowledged if each[1].missing <= 2]
    return judged(
        needed(
            len(few) > 0 if facts.has_messages else None,
            f"{len(few)} times a number or two is missing where the link was lost",
            "no number is missing where the link was lost",
            "which messages are missing: none were recorded",
            strength=FAIR,
            at=_hole_place(few),
        ),
        unless(len(facts.link.taken_over_ns) > 0, "another client took the session over"),
        unless(bool(_blocked_before(facts)), "the board stood before the loss"),
        needed(
            len(at_loss) >= 0.7 * max(len(holes), 1),
            "messages are missing there alone",
            "messages are missing elsewhere too",
            strength=WEAK,
        ),
        needed(
            bool(unacknowledged),
            "they are of QoS 0",
            "they are of QoS 1 or 2: those are sent again",
            strength=0.0,
        ),
        needed(len(few) > len(at_loss) / 2, "never many at once", "many at once", strength=WEAK),
    )


def _qos0(topic: Topic) -> bool:
    return bool((topic.rows["qos"].fill_null(0) == 0).all())


def half_open(_scene: Scene, facts: Facts) -> Answer:
    """The peer is gone, and publishing still succeeds until the keep-alive notices."""
    at_loss = _at_loss(facts, _holes(facts))
    lost = facts.link_of_messages.lost_ns
    spans = [
        int(lost[at]) - hole.last_ns
        for _, hole, _ in at_loss
        if (at := int(lost.searchsorted(hole.last_ns))) < len(lost) and lost[at] <= hole.next_ns
    ]
    long = [span for span in spans if span >= 2 * _S]
    many = [each for each in at_loss if each[1].missing >= 3]
    return judged(
        needed(
            len(many) > 0 if facts.has_messages else None,
            f"several numbers in a row are missing, {len(many)} times",
            "never several numbers in a row are missing",
            "which messages are missing: none were recorded",
            strength=FAIR,
            at=_hole_place(many),
        ),
        needed(
            len(long) > 0,
            f"the link's loss was noticed {in_words(max(long, default=0))} after the last delivery",
            "the link's loss was noticed at once",
            strength=FAIR,
        ),
        telling(
            _published_meanwhile(facts, many),
            "the firmware reported them as sent",
            "the firmware did not report them as sent",
            "whether the firmware took them for sent: it does not print that",
            strength=FAIR,
        ),
        unless(bool(many) and _silent_meanwhile(facts, many), "the firmware was silent meanwhile"),
    )


def _published_meanwhile(facts: Facts, holes: list[tuple[Topic, Hole, int]]) -> bool | None:
    pattern = r"(?i)publish|\bsent\b|\bpub\b|\btx\b"
    if not words.matching(facts.scene.table("prints"), pattern).height:
        return None
    return any(facts.prints(h.last_ns, h.next_ns, pattern).height >= 2 for _, h, _ in holes)


def _silent_meanwhile(facts: Facts, holes: list[tuple[Topic, Hole, int]]) -> bool:
    """Whether the log has nothing over most of the holes either: the board itself stood."""
    if not facts.has_prints:
        return False
    stood = [_longest_silence(facts, h.last_ns, at) > 0.7 * (at - h.last_ns) for _, h, at in holes]
    return bool(np.mean(stood) > 0.5)


def _longest_silence(facts: Facts, from_ns: int, until_ns: int) -> int:
    times = facts.scene.window("prints", from_ns, until_ns)["t_ns"].to_numpy()
    return int(np.diff(np.concatenate([[from_ns], times, [until_ns]])).max(initial=0))


def keep_alive_starvation(_scene: Scene, facts: Facts) -> Answer:
    """One long call, of the bus or a sensor, keeps the client from its keep-alive."""
    blocked = _blocked_before(facts)
    bus = [each for each in blocked if _long_on_bus(facts, *each)]
    return judged(
        needed(
            bool(blocked) if facts.has_prints else None,
            f"before the link was lost the board stood for "
            f"{in_words(max((b - a for a, b in blocked), default=0))}",
            "the board was at work until the link was lost",
            "whether the board stood: there is no log",
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
            bool(bus) if facts.traffic.bus.height else None,
            "one transfer or a held line on the bus lasted as long",
            "the bus shows nothing that lasted as long",
            "what held it up: the bus was not captured",
            strength=FAIR,
        ),
        telling(
            len(blocked) >= 0.6 * max(len(facts.link.lost_ns), 1),
            "it is so before most losses",
            "other losses have no such call before them",
        ),
    )


def _said_keep_alive(facts: Facts) -> bool:
    """Whether the broker's log gives the keep-alive as its reason (0x8D of MQTT 5.0)."""
    gone = [each.members for each in facts.link.broker if each.event == "disconnect"]
    return any("keep" in str(m.get("reason", "")).lower() or m.get("code") == 0x8D for m in gone)


def _blocked_before(facts: Facts) -> list[tuple[int, int]]:
    """Silences of the log of keep-alive length that end as a lost link is told."""
    times = facts.scene.table("prints")["t_ns"].drop_nulls().to_numpy()
    if len(times) < 20:
        return []
    usual = float(np.percentile(np.diff(times), 99))
    found = []
    for lost in facts.link.lost_ns.tolist():
        at = int(times.searchsorted(lost - 3 * _S))
        near = times[max(at - 1, 0) : int(times.searchsorted(lost, "right"))]
        steps = np.diff(near)
        if not len(steps):
            continue
        k = int(np.argmax(steps))
        silence = int(steps[k])
        if silence >= max(_KEEP_ALIVE_NS[0], 3 * usual):
            found.append((int(near[k]), int(near[k + 1])))
    return found


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


def subscription_not_restored(_scene: Scene, facts: Facts) -> Answer:
    """After a reconnect commands vanish, while publishing works."""
    reactions = reactions_of(facts)
    back = facts.link.reconnects_ns
    log = _unsubscribed(facts)
    told = None if reactions is None or not len(back) else reactions.split_at(back)
    return judged(
        needed(
            len(back) > 0 if facts.has_prints else None,
            f"the link was found again {len(back)} times",
            "the link was never lost and found again",
            "whether the link was lost: there is no log",
            strength=WEAK,
        ),
        needed(
            True if log else None if reactions is None else told is not None,
            "the broker's log has a new session without a subscription"
            if log
            else "until then commands were followed, and after it none was",
            "commands are followed after it as before",
            "whether commands are followed: none were recorded",
            strength=STRONG,
            at=Place("messages", told),
        ),
        telling(
            None if told is None else not _subscribed_after(facts, back),
            "no subscription is told of after it",
            "a subscription is told of after it",
            strength=FAIR,
        ),
        telling(
            None if told is None else _published_after(facts, told),
            "and what the board publishes arrives",
            "and what the board publishes does not arrive either",
            strength=FAIR,
        ),
    )


def _unsubscribed(facts: Facts) -> bool:
    """Whether the broker's log has a last session without a subscription, and one with before."""
    sessions: list[bool] = []
    for each in facts.link.broker:
        if each.event == "connect" and not each.members.get("present"):
            sessions.append(False)
        elif each.event == "subscribe" and sessions:
            sessions[-1] = True
    return len(sessions) > 1 and any(sessions) and not sessions[-1]


def _subscribed_after(facts: Facts, back: Int64s) -> bool:
    return bool((facts.link.subscribed_ns >= back[-1]).any())


def _published_after(facts: Facts, t_ns: int) -> bool:
    return any(not t.is_command and bool((t.t_ns > t_ns).any()) for t in facts.topics)


def client_id_duel(_scene: Scene, facts: Facts) -> Answer:
    """Two clients share an id and evict each other."""
    lost, found = facts.link.lost_ns, facts.link.found_ns
    steps = np.diff(lost)
    steady = len(steps) >= 3 and float(np.percentile(steps, 75)) < 1.6 * float(np.median(steps))
    said = len(facts.link.taken_over_ns)
    quick = _found_then_lost(lost, found)
    return judged(
        needed(
            len(lost) >= 4 if facts.has_prints else None,
            f"the link was lost {len(lost)} times",
            "the link was not lost again and again",
            "whether the link was lost: there is no log",
            strength=WEAK,
        ),
        needed(
            steady or said > 0,
            "at one interval, as the other client comes back",
            "at intervals that differ",
            strength=FAIR if said else WEAK,
        ),
        needed(
            said > 0 or quick,
            "the broker says that the session was taken over"
            if said
            else "each time soon after it was found again",
            "the link lasts once it is found again",
            strength=STRONG if said else 0.0,
            at=Place("", int(facts.link.taken_over_ns[0])) if said else Place(),
        ),
        telling(
            facts.link.whences > 1 or None,
            "one id connects from several addresses",
            "",
            "from where the id connects: the broker does not say",
            strength=FAIR,
        ),
        unless(bool(_blocked_before(facts)), "the board stood before each loss"),
        unless(_memory_steps(facts), "memory went down with each reconnect"),
    )


def _found_then_lost(lost: Int64s, found: Int64s) -> bool:
    """Whether most links that were found were lost again within twice the median step."""
    if len(lost) < 4 or len(found) < 3:
        return False
    at = lost.searchsorted(found)
    lasted = np.concatenate([lost, [2**62]])[at] - found
    return float(np.mean(lasted < 1.5 * float(np.median(np.diff(lost))))) >= 0.7


def _memory_steps(facts: Facts) -> bool:
    pattern = r"(?i)heap|free|block|largest|mem"
    names = [c.name for c in courses_of(facts.scene) if c.falling]
    return bool(names) and bool(pl.Series(names).str.contains(pattern).any())


def reconnect_storm(_scene: Scene, facts: Facts) -> Answer:
    """Reconnects come faster and faster, each takes memory, and a fault elsewhere follows."""
    back = facts.link.found_ns
    steps = np.diff(back)
    faster = len(steps) >= 5 and float(np.mean(steps[-2:])) < 0.6 * float(np.mean(steps[:2]))
    return judged(
        needed(
            len(back) >= 5 if facts.has_prints else None,
            f"the link was found again {len(back)} times",
            "the link was not found again and again",
            "whether the link was lost: there is no log",
            strength=FAIR,
        ),
        needed(
            faster or _memory_steps(facts),
            "faster and faster" if faster else "and memory went down with each",
            "no faster than at first, and without taking memory",
            strength=FAIR,
        ),
        telling(_memory_steps(facts), "free memory goes down meanwhile", strength=FAIR),
        telling(faster, "the reconnects come faster", strength=FAIR),
        unless(len(facts.link.taken_over_ns) > 0, "another client took the session over"),
    )


def oversize_drop(_scene: Scene, facts: Facts) -> Answer:
    """Messages longer than a client's buffer are dropped without a word."""
    edge = size_edge(facts)
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
        unless(len(facts.link.lost_ns) > 0, "the link was lost meanwhile"),
    )


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


def stale_retained_command(_scene: Scene, facts: Facts) -> Answer:
    """A retained command arrives with the subscription and moves something."""
    rows = facts.scene.table("messages").filter(pl.col("retain").fill_null(value=False))
    commands = rows.filter(rows["topic"].is_in([t.name for t in facts.topics if t.is_command]))
    boots = facts.restarts["t_ns"].to_numpy() if facts.ordered else np.empty(0, np.int64)
    joined = np.sort(
        np.concatenate(
            [facts.link_of_messages.found_ns, facts.link_of_messages.subscribed_ns, boots]
        )
    )
    times = commands["t_ns"].to_numpy()
    after = _just_after(times, joined)
    acted = [t for t in after if facts.prints(t - 20 * MS, t + 2 * _S, words.ACTUATOR).height]
    return judged(
        needed(
            bool(times.size) if facts.has_messages else None,
            "a command is retained",
            "no command is retained",
            "whether a command is retained: no messages were recorded",
            strength=FAIR,
            at=Place("messages", int(times[0])) if times.size else Place(),
        ),
        needed(
            bool(after) if len(joined) else None,
            "it arrived as the board subscribed",
            "it did not arrive as the board subscribed",
            "when the board subscribed: there is no log",
            strength=FAIR,
        ),
        telling(
            bool(acted) if facts.ordered else None,
            "the board acted on it",
            "the board did not act on it",
            strength=FAIR,
        ),
    )


def _just_after(times: Int64s, joined: Int64s) -> list[int]:
    """The times that follow one of the others within a second."""
    if not len(joined):
        return []
    at = np.maximum(joined.searchsorted(times + 50 * MS, "right") - 1, 0)
    close = np.abs(times - joined[at]) < _S
    return [int(t) for t in times[close]]


def schema_drift(_scene: Scene, facts: Facts) -> Answer:
    """A field is renamed, nested or of another type, as of one moment."""
    changes = [found for topic in facts.topics if (found := _keys_changed(topic)) is not None]
    near = [t for t in changes if _version_near(facts, t)]
    return judged(
        needed(
            bool(changes) if facts.has_messages else None,
            f"in {len(changes)} topics the names or types of fields change at one moment, for good",
            "no topic changes the names or types of its fields for good",
            "whether fields change: no messages were recorded",
            strength=STRONG,
            at=Place("messages", changes[0]) if changes else Place(),
        ),
        telling(
            bool(near) if facts.has_prints else None,
            "as the firmware booted, or told its version",
            "the firmware did not boot then",
            "whether the firmware booted then: there is no log",
            strength=FAIR,
        ),
    )


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
    version = facts.prints(begin, end, r"(?i)version|firmware|\bfw\b|\bbuild\b")
    boots = facts.restarts.filter(pl.col("t_ns").is_between(begin, end))
    return version.height + boots.height > 0


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
        "at-most-once-loss",
        "A QoS 0 message was on its way as the link dropped",
        "network",
        _NET,
        2.0,
        ("messages", "prints"),
        at_most_once_loss,
        ("qos-1",),
        "",
        "MQTT 3.1.1 section 4.3.1",
    ),
    Cause(
        "half-open",
        "The broker was gone, and publishing went on until that was noticed",
        "network",
        _NET,
        1.5,
        ("messages", "prints"),
        half_open,
        ("halve-keep-alive",),
        "",
        "MQTT 3.1.1 section 3.1.2.10",
    ),
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
    Cause(
        "subscription-not-restored",
        "After a reconnect nobody subscribed again",
        "network",
        _NET,
        1.5,
        ("messages", "prints"),
        subscription_not_restored,
        ("subscribe-by-hand",),
        "",
        "MQTT 3.1.1 section 3.2.2.2, session present",
    ),
    Cause(
        "client-id-duel",
        "Two clients share an id and evict each other",
        "network",
        _NET,
        1.5,
        ("prints",),
        client_id_duel,
        ("unique-id",),
        "",
        "MQTT 3.1.1 section 3.1.4; MQTT 5.0 reason 0x8E",
    ),
    Cause(
        "reconnect-storm",
        "Reconnects come faster and faster, each at the cost of memory",
        "network",
        _NET,
        1.0,
        ("prints",),
        reconnect_storm,
        ("fixed-reconnects",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "oversize-drop",
        "Messages longer than a buffer are dropped without a word",
        "network",
        _NET,
        1.5,
        ("messages",),
        oversize_drop,
        ("length-sweep",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "redelivery",
        "A message was delivered again, and taken for a new one",
        "network",
        _NET,
        1.5,
        ("messages",),
        redelivery,
        ("qos-1", "clean-session"),
        "",
        "MQTT 3.1.1 sections 3.3.1.1 and 4.4",
    ),
    Cause(
        "stale-retained-command",
        "A retained command of earlier arrives with the subscription",
        "network",
        _NET,
        1.5,
        ("messages", "prints"),
        stale_retained_command,
        ("clear-retained",),
        "",
        "MQTT 3.1.1 section 3.3.1.3",
    ),
    Cause(
        "schema-drift",
        "A field's name or type changed with the firmware",
        "network",
        _NET,
        1.5,
        ("messages",),
        schema_drift,
        ("old-firmware",),
        "",
        "seen in public issue reports",
    ),
    Cause(
        "delivered-but-ignored",
        "A command arrived, and the firmware did nothing with it",
        "network",
        _NET,
        1.0,
        ("messages", "prints"),
        delivered_but_ignored,
        ("repeat-when-idle",),
        "",
        "inferred; seen in public issue reports as a wish to have it told",
    ),
)

"""When a board's link to its broker was lost and found: by what it printed and the broker's log."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np
import polars as pl

from console.diagnosis.causes import prints_near as words
from console.diagnosis.scene import Int64s, Scene

_ONE_THING_NS = 100_000_000  # two lines within it tell of one thing
_SUBSCRIBES_NS = 10_000_000_000  # after it connects
_EVENT_MEMBERS = ("event", "type", "what", "action")
# Topics that begin with $ are the broker's own (MQTT 3.1.1 section 4.7.2).
_OWN = "$"


@dataclass(frozen=True, slots=True)
class BrokerEvent:
    """One entry of a broker's log, as JSON in one of its own topics."""

    t_ns: int
    event: str
    members: dict[str, object]

    @property
    def whence(self) -> str:
        """Address and port of the connection, as the broker gave it."""
        return str(
            next(
                (self.members[k] for k in ("from", "peer", "address", "ip") if k in self.members),
                "",
            )
        )

    @property
    def client(self) -> str:
        """The client's id."""
        return str(
            next(
                (
                    self.members[k]
                    for k in ("client", "client_id", "clientid", "id")
                    if k in self.members
                ),
                "",
            )
        )


@dataclass(frozen=True, slots=True, eq=False)
class LinkLife:
    """Moments of one board's link; ns on the common axis, sorted."""

    lost_ns: Int64s  # as the board, or else the broker, told it
    found_ns: Int64s
    subscribed_ns: Int64s
    taken_over_ns: Int64s  # where somebody says that another client came with the same id
    broker: tuple[BrokerEvent, ...]
    told_by: tuple[str, ...] = ()  # the logs that tell of losses; none: the broker's
    unsubscribed: bool = False  # the last session has no subscription, and one before it had

    @property
    def reconnects_ns(self) -> Int64s:
        """Links found again: those after a loss."""
        if not len(self.lost_ns):
            return self.found_ns[1:]
        return self.found_ns[int(self.found_ns.searchsorted(self.lost_ns[0])) :]

    @property
    def whences(self) -> int:
        """From how many addresses clients of one id connected, by the broker's log."""
        seen: dict[str, set[str]] = {}
        for each in self.broker:
            if each.event == "connect" and each.whence:
                seen.setdefault(each.client, set()).add(each.whence.rpartition(":")[0])
        return max((len(found) for found in seen.values()), default=0)

    def found_after(self, t_ns: int) -> int | None:
        """When the link was found next, None if never."""
        at = int(self.found_ns.searchsorted(t_ns))
        return int(self.found_ns[at]) if at < len(self.found_ns) else None


def link_life(scene: Scene, prints: pl.DataFrame) -> LinkLife:
    """What prints and the broker's log say of the link.

    Args:
        scene: with the broker's log.
        prints: those that are to be looked at, maybe none.
    """
    events = tuple(_broker_events(scene))
    lost = words.matching(prints, words.LINK_LOST)
    found = words.matching(prints, words.LINK_FOUND)
    found = found.filter(~found["text"].is_in(lost["text"].implode()))
    told_lost, told_found = _times(lost), _times(found)
    said = np.concatenate(
        [_times(words.matching(prints, words.TAKEN_OVER)), _of(events, "disconnect", taken=True)]
    )
    subscribed = np.concatenate(
        [_times(words.matching(prints, words.SUBSCRIBED)), _of(events, "subscribe")]
    )
    return LinkLife(
        _distinct(told_lost if len(told_lost) else _of(events, "disconnect")),
        _distinct(told_found if len(told_found) else _of(events, "connect")),
        np.sort(subscribed),
        np.sort(said),
        events,
        tuple(lost["source"].unique().sort().to_list()),
        _is_unsubscribed(scene, events),
    )


def _is_unsubscribed(scene: Scene, events: tuple[BrokerEvent, ...]) -> bool:
    """Whether the broker's log has a last session without a subscription, and one with before.

    A session that is present keeps its subscriptions (MQTT 3.1.1 section 3.2.2.2). Clients
    subscribe as they connect: what was not recorded then may be the subscription.
    """
    sessions: list[tuple[int, bool]] = []
    for each in events:
        if each.event == "connect" and not each.members.get("present"):
            sessions.append((each.t_ns, False))
        elif each.event == "subscribe" and sessions:
            sessions[-1] = sessions[-1][0], True
    if len(sessions) < 2 or sessions[-1][1] or not any(had for _, had in sessions):
        return False
    begin_ns = sessions[-1][0]
    logs = [each for each in scene.sources if each.kind in ("messages", "network")]
    return not logs or any(
        each.recorded(begin_ns, min(begin_ns + _SUBSCRIBES_NS, each.observed_until_ns))
        for each in logs
    )


def _times(prints: pl.DataFrame) -> Int64s:
    times: Int64s = prints["t_ns"].drop_nulls().to_numpy()
    return times


def _broker_events(scene: Scene) -> list[BrokerEvent]:
    messages = scene.table("messages")
    own = messages.filter(pl.col("topic").str.starts_with(_OWN))
    found = []
    for t_ns, payload in own.select("t_ns", "payload").iter_rows():
        try:
            members = msgspec.json.decode(payload or "")
        except (msgspec.DecodeError, UnicodeError):
            continue
        if isinstance(members, dict):
            event = next((members[k] for k in _EVENT_MEMBERS if k in members), None)
            if isinstance(event, str):
                found.append(BrokerEvent(int(t_ns), event.lower(), members))
    return found


def _of(events: tuple[BrokerEvent, ...], event: str, *, taken: bool = False) -> Int64s:
    return np.array(
        [
            each.t_ns
            for each in events
            if each.event == event and (not taken or _is_taken_over(each))
        ],
        np.int64,
    )


def _is_taken_over(event: BrokerEvent) -> bool:
    """Reason 0x8E of MQTT 5.0 section 3.14.2.1, or its words."""
    text = str(event.members.get("reason", "")).lower()
    return "taken over" in text or event.members.get("code") == 0x8E


def _distinct(t_ns: Int64s) -> Int64s:
    """Without those that follow another within 100 ms: two lines about one thing."""
    if not len(t_ns):
        return t_ns
    first: Int64s = t_ns[np.concatenate([[True], np.diff(t_ns) > _ONE_THING_NS])]
    return first

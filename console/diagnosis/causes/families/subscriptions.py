"""What a subscription brings or fails to bring: no more commands, or one of long ago."""

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
from console.diagnosis.causes.faces import HEALTHY_BUS
from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.often import times
from console.diagnosis.causes.standing import logged
from console.diagnosis.scene import Int64s, Scene

_S = 1_000 * MS


def subscription_not_restored(_scene: Scene, facts: Facts) -> Answer:
    """After a reconnect commands vanish, while publishing works."""
    reactions = facts.run.once(reactions_of)
    link = facts.run.link_of_messages if facts.run.ordered else facts.run.link
    back, log = link.reconnects_ns, link.unsubscribed
    told = None if reactions is None or not len(back) else reactions.split_at(back)
    return judged(
        needed(
            len(back) > 0 if facts.run.has_prints else None,
            f"the link was found again {times(len(back))}",
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
            None if told is None else _no_subscription(facts, int(back[-1]), told),
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
        unless(len(facts.run.link.taken_over_ns) > 0, "another client took the session over"),
    )


def _no_subscription(facts: Facts, back_ns: int, ignored_ns: int) -> bool | None:
    """Whether nobody tells of a subscription after a reconnect; None: it may not be recorded."""
    if (facts.run.link_of_messages.subscribed_ns >= back_ns).any():
        return False
    return True if logged(facts.run, back_ns, max(back_ns, ignored_ns)) else None


def _published_after(facts: Facts, t_ns: int) -> bool:
    return any(not t.is_command and bool((t.t_ns > t_ns).any()) for t in facts.run.topics)


def stale_retained_command(_scene: Scene, facts: Facts) -> Answer:
    """A retained command arrives with the subscription and moves something."""
    rows = facts.scene.table("messages").filter(pl.col("retain").fill_null(value=False))
    commands = rows.filter(rows["topic"].is_in([t.name for t in facts.run.topics if t.is_command]))
    boots = facts.run.restarts["t_ns"].to_numpy() if facts.run.ordered else np.empty(0, np.int64)
    joined = np.sort(
        np.concatenate(
            [facts.run.link_of_messages.found_ns, facts.run.link_of_messages.subscribed_ns, boots]
        )
    )
    times = commands["t_ns"].to_numpy()
    after = _just_after(times, joined)
    acted = [t for t in after if facts.run.prints(t - 20 * MS, t + 2 * _S, words.ACTUATOR).height]
    return judged(
        needed(
            bool(times.size) if facts.run.has_messages else None,
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
            bool(acted) if facts.run.ordered else None,
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


CAUSES = (
    Cause(
        "subscription-not-restored",
        "After a reconnect nobody subscribed again",
        "network",
        (HEALTHY_BUS,),
        1.5,
        ("messages", "prints"),
        subscription_not_restored,
        ("subscribe-by-hand",),
        "",
        "MQTT 3.1.1 section 3.2.2.2, session present",
    ),
    Cause(
        "stale-retained-command",
        "A retained command of earlier arrives with the subscription",
        "network",
        (HEALTHY_BUS,),
        1.5,
        ("messages", "prints"),
        stale_retained_command,
        ("clear-retained",),
        "",
        "MQTT 3.1.1 section 3.3.1.3",
    ),
)

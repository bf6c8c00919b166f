"""Commands sent to a board, and whether it did anything after them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from console.diagnosis.causes.facts import MS, Facts
from console.diagnosis.causes.links_life import LinkLife
from console.diagnosis.causes.topics import Topic
from console.diagnosis.scene import Bools, Int64s

_WITHIN_NS = 2_000 * MS  # after a command, in which a board that takes it says so
_FEWEST = 4
_HEARD = r"(?i)\bcmd\b|command|\bset\b|received|\brx\b|\bgot\b|recv|order|\bmsg\b|\bsub\b"


@dataclass(frozen=True, slots=True, eq=False)
class Reactions:
    """n commands in time order."""

    t_ns: Int64s
    sizes: Int64s
    followed: Bools  # whether a print told of it

    def split_at(self, moments: Int64s) -> int | None:
        """The first command not followed, if none is after one of the moments and most were before.

        None where no moment splits them so.
        """
        for moment in moments.tolist():
            before, after = self.followed[self.t_ns < moment], self.followed[self.t_ns >= moment]
            enough = len(before) >= 2 and len(after) >= 2
            if enough and before.mean() >= 0.7 and not after.any():
                return int(self.t_ns[self.t_ns >= moment][0])
        return None

    def ignored(self, link: LinkLife) -> list[int]:
        """Commands that nothing followed, but for those near a lost link: they never arrived."""
        near = np.array([self._down(link, t) for t in self.t_ns.tolist()], np.bool_)
        return [int(t) for t in self.t_ns[~self.followed & ~near]]

    @staticmethod
    def _down(link: LinkLife, t_ns: int) -> bool:
        lost = int(link.lost_ns.searchsorted(t_ns + _WITHIN_NS)) - 1
        if lost < 0:
            return False
        back = link.found_after(int(link.lost_ns[lost]))
        return back is None or t_ns < back


def reactions_of(facts: Facts) -> Reactions | None:
    """Of the commands of a run; None where there are too few, or no log to see them followed in.

    A print follows a command when it comes within two seconds and speaks of a command, or holds
    the command's number or the last word of its topic.
    """
    topics = _sent([topic for topic in facts.topics if topic.is_command])
    if not topics or not facts.has_prints:
        return None
    rows = [
        (int(t), int(size), _followed(facts, topic, k))
        for topic in topics
        for k, (t, size) in enumerate(zip(topic.t_ns, topic.sizes, strict=True))
        if not topic.rows["retain"][k] and facts.prints_known(int(t), int(t) + _WITHIN_NS)
    ]
    if len(rows) < _FEWEST or not any(followed for *_, followed in rows):
        return None
    t_ns, sizes, followed = zip(*sorted(rows), strict=True)
    return Reactions(
        np.array(t_ns, np.int64), np.array(sizes, np.int64), np.array(followed, np.bool_)
    )


def _sent(topics: list[Topic]) -> list[Topic]:
    """As they were sent, where both ways were recorded."""
    named = {topic.name for topic in topics if topic.direction == "to-broker"}
    return [t for t in topics if t.name not in named or t.direction == "to-broker"]


def _followed(facts: Facts, topic: Topic, k: int) -> bool:
    t = int(topic.t_ns[k])
    texts = facts.scene.window("prints", t - 20 * MS, t + _WITHIN_NS)["text"]
    number = topic.counter[k] if topic.counter is not None else -1
    if number >= 0:
        return bool(texts.str.contains(rf"(?:^|\D){number}(?:\D|$)").any())
    return bool(texts.str.contains(_HEARD).any())

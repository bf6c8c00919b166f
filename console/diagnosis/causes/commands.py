"""Commands sent to a board, and whether it did anything after them.

What a board does after a command is learned: kinds of prints (lines alike but for their digits)
that hardly ever come but soon after a command.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from console.diagnosis.causes.facts import MS
from console.diagnosis.causes.links_life import LinkLife
from console.diagnosis.causes.run_facts import RunFacts
from console.diagnosis.causes.topics import Topic
from console.diagnosis.scene import Bools, Int64s

_WITHIN_NS = 2_000 * MS  # after a command, in which a board that takes it says so
_SPACING = 0.6  # of the usual time between commands: a wider window would hold any print
_FEWEST = 4
_ALWAYS = 0.9  # share of a kind's lines that follow a command
_CHANCE = 0.05  # that some kind of line does so by accident
_BEFORE, _AFTER = 2, 3  # commands followed before a moment, and none after it, that make an end


@dataclass(frozen=True, slots=True, eq=False)
class Reactions:
    """n commands in time order."""

    t_ns: Int64s
    sizes: Int64s
    followed: Bools  # whether a print told of it
    told_ns: Int64s  # of all prints that tell of commands, sorted
    window_ns: int  # after a command, in which they come

    def acted_after(self, t_ns: int) -> bool:
        """Whether the board told of a command right after a moment."""
        at = self.told_ns.searchsorted([t_ns, t_ns + self.window_ns], "right")
        return bool(at[1] > at[0])

    @property
    def ended(self) -> bool:
        """Whether every command was followed up to one moment, and none after it."""
        last = int(np.flatnonzero(self.followed)[-1]) if self.followed.any() else -1
        enough = last + 1 >= _BEFORE and len(self.followed) - last > _AFTER
        return enough and bool(self.followed[: last + 1].all())

    def split_at(self, moments: Int64s) -> int | None:
        """The first command not followed, if none is after one of the moments and most were before.

        None where no moment splits them so.
        """
        for moment in moments.tolist():
            before, after = self.followed[self.t_ns < moment], self.followed[self.t_ns >= moment]
            enough = len(before) >= 2 and len(after) >= 2
            if enough and before.mean() >= 0.6 and not after.any():
                return int(self.t_ns[self.t_ns >= moment][0])
        return None

    def ignored(self, link: LinkLife, unheard: Sequence[tuple[int, int]] = ()) -> list[int]:
        """Commands that nothing followed, but for those that never arrived.

        Args:
            link: those near its loss did not.
            unheard: spans over which the board heard nothing.
        """
        left = self.t_ns[~self.followed].tolist()
        spans = [(begin - _WITHIN_NS, end) for begin, end in unheard]
        return [t for t in left if not _down(link, t) and not any(a <= t <= b for a, b in spans)]


def _down(link: LinkLife, t_ns: int) -> bool:
    lost = int(link.lost_ns.searchsorted(t_ns + _WITHIN_NS)) - 1
    if lost < 0:
        return False
    back = link.found_after(int(link.lost_ns[lost]))
    return back is None or t_ns < back


def reactions_of(run: RunFacts) -> Reactions | None:
    """Of the commands of a run; None where there are too few, or nothing that follows them."""
    topics = _sent([topic for topic in run.topics if topic.is_command])
    if not topics or not run.ordered:
        return None
    t_ns = np.concatenate([topic.t_ns for topic in topics])
    sizes = np.concatenate([topic.sizes for topic in topics])
    kept = np.concatenate([~topic.rows["retain"].fill_null(value=False) for topic in topics])
    order = np.argsort(t_ns[kept], kind="stable")
    t_ns, sizes = t_ns[kept][order], sizes[kept][order]
    if len(t_ns) < _FEWEST:
        return None
    window = _window(t_ns)
    told = _kinds_after(run, t_ns, window)
    seen = _logged(run, told["source"].unique().to_list(), t_ns, window)
    if not seen.any():
        return None
    reactions = told["t_ns"].sort().to_numpy()
    t_ns, sizes = t_ns[seen], sizes[seen]
    first = reactions.searchsorted(t_ns, "right")
    followed = reactions.searchsorted(t_ns + window, "right") > first
    return Reactions(t_ns, sizes, np.asarray(followed, np.bool_), reactions, window)


def _window(t_ns: Int64s) -> int:
    steps = np.diff(t_ns)
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else float(_WITHIN_NS)
    return int(min(_WITHIN_NS, _SPACING * usual))


def _logged(run: RunFacts, logs: Sequence[str], t_ns: Int64s, window: int) -> Bools:
    """bool[n]: whether every log that tells of commands was recorded after each, and went on.

    That a log which was not there does not tell of a command means nothing.
    """
    seen = np.full(len(t_ns), bool(logs))
    for source in run.scene.sources:
        if source.name in logs:
            own = run.placed_prints.filter(pl.col("source") == source.name)
            last = int(own["t_ns"].max())  # type: ignore[arg-type]
            seen &= source.watched(t_ns, t_ns + window) & (t_ns + window <= last)
    return seen


def _kinds_after(run: RunFacts, t_ns: Int64s, window: int) -> pl.DataFrame:
    """The prints of the kinds that follow commands."""
    prints = run.placed_prints.drop_nulls("t_ns")
    kinds = prints.with_columns(kind=pl.col("text").str.replace_all(r"\d+(?:\.\d+)?", "#"))
    for word in _words_of(run):
        kinds = kinds.with_columns(pl.col("kind").str.replace_all(word, "*", literal=True))
    parts = kinds.partition_by("kind")
    step = max(float(np.median(np.diff(t_ns))), 1.0)
    found = [
        rows for rows in parts if _follows(rows["t_ns"].to_numpy(), t_ns, window, step, len(parts))
    ]
    return pl.concat([kinds.clear(), *found])


def _follows(times: Int64s, t_ns: Int64s, window: int, step: float, kinds: int) -> bool:
    """Whether a kind's lines follow commands, closer than any of so many kinds would by chance."""
    at = t_ns.searchsorted(times, "right") - 1
    delays = times - t_ns[np.maximum(at, 0)]
    after = (at >= 0) & (delays <= window)
    if after.mean() < _ALWAYS:
        return False
    share = min(float(delays[after].max()) / step, 1.0)
    return bool(kinds * share ** len(times) < _CHANCE)


def _words_of(run: RunFacts) -> list[str]:
    """Words in the payloads of commands: what the board repeats of them differs in these."""
    values = {
        value
        for topic in run.topics
        if topic.is_command
        for each in topic.objects[:200]
        for value in each.values()
        if isinstance(value, str) and len(value) > 1
    }
    return sorted(values, key=len, reverse=True)[:20]


def _sent(topics: list[Topic]) -> list[Topic]:
    """As they were sent, where both ways were recorded."""
    named = {topic.name for topic in topics if topic.direction == "to-broker"}
    return [t for t in topics if t.name not in named or t.direction == "to-broker"]

"""The messages of each topic as columns: when, how long, their counter and its holes."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import msgspec
import numpy as np
import polars as pl

from console.diagnosis.scene import Int64s, Scene, SceneSource

_COUNTERS = ("seq", "n", "count", "counter", "id", "msg", "sequence", "packet", "i")
_STEADY = 0.25  # share of steps by one that makes a number that only rises a counter
_NO_COUNT = 2**63  # JSON numbers have any length (RFC 8259 section 6): ids and hashes
_AT_MOST = 200_000  # messages of a topic read one by one (1 us each)
COMMAND_STEMS = ("cmd", "command", "set", "control", "ctl", "do", "request")


@dataclass(eq=False)
class Topic:
    """The messages of one topic in time order; n rows.

    Attributes:
        name: the topic, not cleaned.
        rows: of the `messages` table.
        sources: that have recorded them; none where they are not told.
    """

    name: str
    rows: pl.DataFrame
    sources: Sequence[SceneSource] = ()

    @cached_property
    def t_ns(self) -> Int64s:
        """int64[n] common axis."""
        return self.rows["t_ns"].to_numpy()

    @cached_property
    def sizes(self) -> Int64s:
        """int64[n] payload bytes."""
        return self.rows["payload"].fill_null("").str.len_bytes().cast(pl.Int64).to_numpy()

    @cached_property
    def objects(self) -> list[dict[str, object]]:
        """The payloads that are JSON objects; {} for the rest."""
        return [_object(text) for text in self.rows["payload"].head(_AT_MOST)]

    @property
    def direction(self) -> str:
        """`to-broker`, `from-broker`, or "" where the recording does not tell."""
        return str(self.rows["direction"][0] or "")

    @property
    def is_command(self) -> bool:
        """Whether its name says that somebody is told to do something."""
        parts = self.name.lower().replace("-", "/").replace("_", "/").split("/")
        return any(part in COMMAND_STEMS for part in parts)

    @cached_property
    def counter(self) -> Int64s | None:
        """int64[n] of the member that counts messages; -1 where it is missing. None: there is none.

        Taken is the member whose commonest step, repeats aside, is by one: losses make larger
        steps, but whatever their rate the next number follows oftener than any other.
        """
        for name in self._counter_names():
            column = np.array([_count(each.get(name)) for each in self.objects], np.int64)
            steps = np.diff(column[column >= 0])
            moved = steps[steps != 0]
            if len(moved) >= 4 and _by_one(moved):
                return column
        return None

    def _counter_names(self) -> list[str]:
        seen = Counter(key for each in self.objects[:200] for key in each)
        return [key for key in _COUNTERS if seen[key]]

    @cached_property
    def holes(self) -> list[Hole]:
        """Where its counter left numbers out while it was recorded."""
        return [hole for hole in self._all_holes if self._recorded(hole)]

    @cached_property
    def unrecorded(self) -> list[Hole]:
        """Where numbers are missing because, maybe, nothing was recorded then."""
        return [hole for hole in self._all_holes if not self._recorded(hole)]

    def may_have_come(self, number: int) -> bool:
        """Whether a number is missing because, maybe, nothing was recorded then."""
        at = bisect_left(self.unrecorded, number, key=lambda hole: hole.last_value) - 1
        return at >= 0 and number <= self.unrecorded[at].last_value + self.unrecorded[at].missing

    def _recorded(self, hole: Hole) -> bool:
        return not self.sources or any(
            each.recorded(hole.last_ns, hole.next_ns) for each in self.sources
        )

    @cached_property
    def _all_holes(self) -> list[Hole]:
        if self.counter is None:
            return []
        known = np.flatnonzero(self.counter >= 0)
        values, t_ns = self.counter[known], self.t_ns[known]
        at = np.flatnonzero(np.diff(values) > 1)
        return [
            Hole(int(t_ns[k]), int(t_ns[k + 1]), int(values[k + 1] - values[k] - 1), int(values[k]))
            for k in at.tolist()
        ]

    @cached_property
    def period_ns(self) -> int:
        """Median time between two messages, 0 when unknown."""
        return int(np.median(np.diff(self.t_ns))) if len(self.t_ns) > 3 else 0

    @cached_property
    def keys(self) -> list[str]:
        """Names and types of the members of each payload, in one text."""
        return [
            ",".join(sorted(f"{key}:{_type(value)}" for key, value in each.items()))
            for each in self.objects
        ]


@dataclass(frozen=True, slots=True)
class Hole:
    """Numbers that a topic's counter left out."""

    last_ns: int  # the message before
    next_ns: int  # the message after
    missing: int
    last_value: int


def topics_of(scene: Scene) -> list[Topic]:
    """The topics of a run by direction, in the order of their first messages.

    The broker's own topics, which begin with $, are none (MQTT 3.1.1 section 4.7.2).
    """
    rows = scene.table("messages").filter(~pl.col("topic").str.starts_with("$"))
    parts = rows.partition_by("topic", "direction", maintain_order=True)
    return [Topic(str(part["topic"][0]), part, _sources(scene, part)) for part in parts]


def _sources(scene: Scene, rows: pl.DataFrame) -> list[SceneSource]:
    names = set(rows["source"].unique().to_list())
    return [each for each in scene.sources if each.name in names]


def _count(value: object) -> int:
    """A number that may count messages; -1 for what is none, or does not fit in 63 bits."""
    if not isinstance(value, int) or isinstance(value, bool):
        return -1
    return value if 0 <= value < _NO_COUNT else -1


def _by_one(steps: Int64s) -> bool:
    """Whether steps only rise, and by one more often than by any other number."""
    if (steps <= 0).any():
        return False
    counts = np.bincount(np.minimum(steps, 64))
    return int(np.argmax(counts)) == 1 and counts[1] >= _STEADY * len(steps)


def _object(text: str | None) -> dict[str, object]:
    try:
        found = msgspec.json.decode(text or "")
    except (msgspec.DecodeError, UnicodeError):
        return {}
    return found if isinstance(found, dict) else {}


def _type(value: object) -> str:
    """Whole numbers and fractions are one type in JSON (RFC 8259 section 6)."""
    if isinstance(value, bool):
        return "truth"
    if isinstance(value, int | float):
        return "number"
    if isinstance(value, str):
        return "text"
    return "array" if isinstance(value, list) else "null" if value is None else "object"

"""What a source showed where an effect was due: something else, nothing, or nothing to be seen."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.links.joins import Relation
from console.timeline.links.kinds import EventKind, sources_of_buses

Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

MANY = 20  # a sentence seen so often, and never beside the cause, stands in for nothing


class Spans(Protocol):
    """Spans of time of one source."""

    def touches(self, from_ns: Int64s, until_ns: Int64s) -> Bools:
        """bool[k]: whether any span overlaps each of k stretches of time."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where an effect shows."""

    table: str
    source: str
    subject: str  # topic, device, line; "" of prints


def target_of(kind: EventKind) -> Target:
    """Where an event of a kind shows: prints of a log are one, each topic is its own."""
    return Target(kind.table, kind.source, kind.subject)


class Instead:
    """What was to be seen of each source, and what in it is the effect of nothing known."""

    def __init__(
        self,
        tables: Mapping[str, pl.DataFrame],
        kinds: Sequence[EventKind],
        relations: Sequence[Relation],
        unobserved: Mapping[str, Spans],
    ) -> None:
        """Take note of what is explained.

        Args:
            tables: the tables of events by name.
            kinds: the kinds of their events.
            relations: which of them cause which.
            unobserved: of each source the spans in which it may have missed something.
        """
        self._tables = tables
        self._unobserved = unobserved
        self._ends = _ends(tables)
        self._often = _rows(tables, kinds, lambda kind: len(kind) >= MANY)
        self._explained = {name: np.zeros(t.height, np.bool_) for name, t in tables.items()}
        effects = {id(relation.effect) for relation in relations}
        for relation in relations:
            if id(relation.cause) not in effects and not relation.cause.is_failure:
                self._explained[relation.cause.table][relation.cause.row] = True  # a cause itself
            if not relation.cause.is_failure:
                found = relation.joined
                rows = relation.effect.row[(found.cause >= 0) | found.again]
                self._explained[relation.effect.table][rows] = True
        self._known: dict[tuple[Target, str], Int64s] = {}
        self._relations = relations

    def observed(self, target: Target, from_ns: Int64s, until_ns: Int64s) -> Bools:
        """Whether the source would have shown an effect in each stretch of time.

        Before its first event and after its last nobody knows whether it was recording.
        """
        first, last = self._ends.get(target.source, (0, 0))
        seen: Bools = (from_ns >= first) & (until_ns <= last)
        spans = self._unobserved.get(target.source)
        return seen if spans is None else seen & ~spans.touches(from_ns, until_ns)

    def repeats(self, kind: EventKind) -> Bools:
        """Which events of a kind say again what one of them has said: nothing more is due to them.

        They repeat the effect of a cause, or are messages marked as sent again (MQTT 3.1.1 and 5.0
        section 3.3.1.1, DUP).
        """
        found = np.zeros(len(kind), np.bool_)
        if kind.table == "messages":
            marks = self._tables["messages"]["duplicate"].fill_null(value=False).to_numpy()
            found |= marks[kind.row]
        for relation in self._relations:
            if relation.effect is kind:
                found |= relation.joined.again
        return found

    def came(self, target: Target, name: str, from_ns: Int64s, until_ns: Int64s) -> Bools:
        """Whether something else came in each stretch of time, that nothing else explains.

        Args:
            target: where the effect was due.
            name: of the kind of the effect, a sentence or a topic.
            from_ns: int64[k].
            until_ns: int64[k].
        """
        words = re.findall(r"[^\W\d_]{3,}", name) if target.table == "prints" else ()
        word = words[0] if words else ""
        key = target, word
        if key not in self._known:
            self._known[key] = self._unexplained(target, word)
        times = self._known[key]
        begun = np.searchsorted(times, until_ns, side="right")
        found: Bools = begun > np.searchsorted(times, from_ns, side="left")
        return found

    def _unexplained(self, target: Target, word: str) -> Int64s:
        """Times of the rows that may stand in for an effect, rising."""
        table = self._tables[target.table]
        rows = (
            table.with_columns(often=pl.Series(self._often[target.table]))
            .filter(pl.Series(~self._explained[target.table]))
            .filter(pl.col(table.columns[0]).is_not_null())
        )
        if target.table == "prints":
            alike = pl.col("text").str.contains(word, literal=True) | ~pl.col("often")
            own = (pl.col("source") == target.source) & alike
        elif target.table == "messages":
            parent = target.subject.rpartition("/")[0]
            beside = pl.col("topic").str.starts_with(f"{parent}/") if parent else pl.lit(True)
            own = (pl.col("source") == target.source) & beside
        else:
            subject = {"transactions": "bus", "pulses": "line"}.get(target.table, "device")
            own = pl.col(subject) == target.subject
        return rows.filter(own)[table.columns[0]].to_numpy()


def _ends(tables: Mapping[str, pl.DataFrame]) -> dict[str, tuple[int, int]]:
    """First and last event of each source that has a place on the axis."""
    buses = sources_of_buses(tables)
    source_of_bus = pl.col("bus").replace_strict(buses, default=None, return_dtype=pl.String)
    parts = []
    for name in ("transactions", "packets", "words", "pulses", "prints", "messages"):
        table = tables[name]
        source = pl.col("source") if "source" in table.columns else source_of_bus
        parts.append(
            table.filter(pl.col("band_ns").is_not_null())
            .group_by(source=source)
            .agg(first=pl.col(table.columns[0]).min(), last=pl.col(table.columns[0]).max())
        )
    ends = (
        pl.concat(parts)
        .drop_nulls()
        .group_by("source")
        .agg(pl.col("first").min(), pl.col("last").max())
    )
    return {source: (first, last) for source, first, last in ends.iter_rows()}


def _rows(
    tables: Mapping[str, pl.DataFrame],
    kinds: Sequence[EventKind],
    wanted: Callable[[EventKind], bool],
) -> dict[str, Bools]:
    """Which rows of each table belong to a kind that is wanted."""
    found = {name: np.zeros(table.height, np.bool_) for name, table in tables.items()}
    for kind in kinds:
        if wanted(kind):
            found[kind.table][kind.row] = True
    return found

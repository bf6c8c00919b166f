"""What came since a moment, for the conditions of an exercise to be held against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from console.bench.conditions import Condition

MOST_ROWS = 10_000  # kept of each table; older ones are let go

_ROW = "row number"


@dataclass(frozen=True, slots=True)
class Heard:
    """A print or message that was found."""

    table: str
    number: int  # of the row, in the order of coming
    t_ns: int
    row: pl.DataFrame  # it alone

    @property
    def values(self) -> dict[str, Any]:
        """Its columns."""
        return self.row.row(0, named=True)


class Hearing:
    """Rows of prints and messages, in the order they came."""

    def __init__(self) -> None:
        self._frames: dict[str, list[pl.DataFrame]] = {"prints": [], "messages": []}
        self._next = 0
        self._used: set[int] = set()

    @property
    def count(self) -> int:
        """Rows so far."""
        return self._next

    def feed(self, tables: Mapping[str, pl.DataFrame]) -> None:
        """Take the next rows."""
        for table, frames in self._frames.items():
            frame = tables.get(table)
            if frame is None or not frame.height:
                continue
            numbers = pl.int_range(self._next, self._next + frame.height, eager=True)
            self._next += frame.height
            frames.append(frame.tail(MOST_ROWS).with_columns(numbers.tail(MOST_ROWS).alias(_ROW)))
            while sum(f.height for f in frames[1:]) >= MOST_ROWS:
                del frames[0]

    def forget(self, before_ns: int) -> None:
        """Let go what is stamped earlier."""
        for table, frames in self._frames.items():
            kept = [frame.filter(pl.col("t_ns") >= before_ns) for frame in frames]
            self._frames[table] = [frame for frame in kept if frame.height]
        self._used = {n for n in self._used if self._has(n)}

    def first(
        self, where: Condition, source: str | None, from_ns: int, until_ns: int, number: int = 0
    ) -> Heard | None:
        """The earliest row for which a condition holds and that was not used yet.

        Args:
            where: the condition.
            source: whose row; None: anyone's.
            from_ns: its stamp is not earlier,
            until_ns: nor later.
            number: rows that came before that one are passed over.
        """
        found = None
        for frame in self._frames[where.table]:
            if frame[_ROW][-1] < number:
                continue
            is_one = frame["t_ns"].is_between(from_ns, until_ns) & (frame[_ROW] >= number)
            if source is not None:
                is_one &= frame["source"] == source
            rows = where.rows(frame.filter(is_one))
            rows = rows.filter(~rows[_ROW].is_in(list(self._used))) if self._used else rows
            if rows.height:
                row = rows.sort("t_ns", maintain_order=True).head(1)
                if found is None or row["t_ns"][0] < found.t_ns:
                    found = Heard(where.table, row[_ROW][0], row["t_ns"][0], row.drop(_ROW))
        return found

    def use(self, heard: Heard) -> None:
        """It is not found again."""
        self._used.add(heard.number)

    def _has(self, number: int) -> bool:
        frames = [frame for frames in self._frames.values() for frame in frames]
        return any(frame[_ROW][0] <= number <= frame[_ROW][-1] for frame in frames)

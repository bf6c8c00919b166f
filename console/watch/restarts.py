"""Firmware stamps that go back: the controller restarted, or its clock was set."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.watch.findings import Finding, Tally, counted
from console.watch.gaps import Ints
from console.watch.names import Names
from console.watch.rule import Batch, Words

# Two tasks may print a little out of order; rollovers are undone before.
_OUT_OF_ORDER_NS = 1_000_000_000


class Restarts:
    """A fold to the places where the stamps of a serial log go back, one note for each log."""

    def __init__(self, names: Names) -> None:
        self._names = names
        self._words = Words(0)
        self._last: dict[str, int] = {}
        self._tallies: dict[str, Tally] = {}

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        prints = batch.table("prints").select("source", "t_ns", "native_ns")
        stamped = prints.filter(pl.col("native_ns").is_not_null())
        for (source,), part in stamped.partition_by("source", as_dict=True).items():
            native: Ints = part["native_ns"].to_numpy()
            before = np.concatenate([[self._last.get(str(source), int(native[0]))], native[:-1]])
            back = native < before - _OUT_OF_ORDER_NS
            self._last[str(source)] = int(native[-1])
            if back.any():
                tally = self._tallies.setdefault(str(source), Tally())
                tally.add(part["t_ns"].to_numpy()[back])
        return []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return one note for each log."""
        return [
            Finding(
                tally.first_ns,
                "restart",
                "note",
                self._names.party(source),
                source,
                f"{source}: its stamps went back {counted(tally.count, 'time')}, as after a "
                f"restart, first at {self._words.at(tally.first_ns)}",
                tally.evidence(),
            )
            for source, tally in self._tallies.items()
        ]

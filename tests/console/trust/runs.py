"""Short simulated runs as files, whole or damaged, and what the trust sheet says of them."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import polars as pl

from captures_demo.simulator import Run
from captures_demo.simulator.cap_line import cap_line
from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.make import CAP_LINE
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled


@cache
def short_run(seed: int) -> Run:
    """The cap line for 50 s."""
    return cap_line(replace(SHORT, seed=seed))


@dataclass(frozen=True)
class Files:
    """The evidence of a run, as lines with their ends."""

    wire: tuple[bytes, ...]
    log: tuple[bytes, ...]
    broker: tuple[bytes, ...]
    baud: int | None = None

    @classmethod
    def of(cls, run: Run) -> Files:
        """What the run's sources recorded."""
        wire = b"".join(delimited(run.recorded(), LAYOUTS["sample numbers"]))
        return cls(
            tuple(wire.splitlines(keepends=True)),
            tuple(run.serial_bytes().splitlines(keepends=True)),
            tuple(run.messages_jsonl().splitlines(keepends=True)),
        )

    def write(self, folder: Path) -> Path:
        """Write them with the demo's bench file; return its path."""
        bench = (CAP_LINE / "bench.toml").read_text("utf-8").replace(".gz", "")
        if self.baud:
            bench = bench.replace("tick_bits", f"baud = {self.baud}\ntick_bits")
        packets = (CAP_LINE / "camera.packets.toml").read_bytes()
        (folder / "camera.packets.toml").write_bytes(packets)
        (folder / "wire.csv").write_bytes(b"".join(self.wire))
        (folder / "controller.log").write_bytes(b"".join(self.log))
        (folder / "broker.jsonl").write_bytes(b"".join(self.broker))
        (folder / "bench.toml").write_text(bench, "utf-8")
        return folder / "bench.toml"


def evidence_of(paths: Sequence[Path]) -> Evidence:
    """What the program makes of files."""
    return gathered(settled([str(path) for path in paths], Overrides()))


Row = tuple[str, str, int | None, int | None]
Span = tuple[int | None, int | None]


def doubts(evidence: Evidence) -> list[Row]:
    """Source, kind, begin and end of what the sheet does not merely note."""
    sheet = evidence.tables["trust"].filter(pl.col("severity") != "note")
    rows = sheet.select("source", "kind", "from_ns", "until_ns").rows()
    return [(source, kind, begin, end) for source, kind, begin, end in rows]


def spans(evidence: Evidence, source: str, *kinds: str) -> list[Span]:
    """Begin and end of the rows of one source that are of these kinds."""
    return [(a, b) for s, kind, a, b in doubts(evidence) if s == source and kind in kinds]


def kinds(evidence: Evidence, source: str) -> set[str]:
    """The kinds of doubt about one source."""
    return {kind for name, kind, _, _ in doubts(evidence) if name == source}


@dataclass(frozen=True)
class Intact:
    """The files of a run that nothing happened to, and what the program makes of them."""

    files: Files
    evidence: Evidence

    def row_of(self, table: str, t_ns: int) -> int:
        """The number of the event nearest to a time, from 0."""
        times = self.evidence.tables[table]["t_ns"].to_list()
        at = bisect_left(times, t_ns)
        near = range(max(at - 1, 0), min(at + 1, len(times)))
        return min(near, key=lambda k: abs(times[k] - t_ns))

    def rows_of(self, table: str, found: Sequence[Span]) -> list[tuple[int | None, int | None]]:
        """Spans as numbers of events; None where an end is not known."""
        return [
            (
                None if begin is None else self.row_of(table, begin),
                None if end is None else self.row_of(table, end),
            )
            for begin, end in found
        ]


def close(found: Sequence[Span], first: int, last: int, within: int = 1) -> bool:
    """Whether a span of event numbers is this one, give or take so many at each end."""
    return any(
        a is not None and b is not None and abs(a - first) <= within and abs(b - last) <= within
        for a, b in found
    )

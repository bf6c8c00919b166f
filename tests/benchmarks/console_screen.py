"""The timeline on millions of events: first paint, steps, memory.

    python -m tests.benchmarks.console_screen [events]

The demo's tables, links among them, are laid end to end until there are so many events. Measured is
what the widget does: laying out and drawing every visible row of a 140x45 terminal after each step,
at random places of the run and along it, at each depth and with a filter. The bits are those of
the demo itself, whose levels are kept on disk. Times are of the thread, since others may run on the
same cores; the first paint is told by the wall clock, and in processor time of all threads.
Bytes an event are those of the console beside the tables: what stays of the view (index of events,
counts, links), and how much more memory the process had at the most while indexing and drawing.
"""

from __future__ import annotations

import asyncio
import ctypes
import gc
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from textual.app import App, ComposeResult

import captures_demo
from console.app.run_view import RunView, view_of
from console.app.themes import variables
from console.app.timeline.ribbon import Ribbon
from console.app.timeline.rows import TimelineRows
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from tests.benchmarks.measure import own_peak_bytes, table

DEMO = Path(captures_demo.__file__).parent / "cap_line/bench.toml"
WIDTH, HEIGHT = 140, 45
STEPS = 2_000
GIVEN_BACK_S = 3  # until the allocator of the tables has given back what it kept


def many(evidence: Evidence, events: int) -> Evidence:
    """The same run again and again, one after the other."""
    own = sum(evidence.tables[name].height for name in ("packets", "prints", "messages"))
    times = -(-events // own)
    length = evidence.end_ns - evidence.start_ns + 10**9
    tables = {}
    for name, frame in evidence.tables.items():
        if name in ("clocks", "trust", "findings"):
            tables[name] = frame
            continue
        moved = [c for c in frame.columns if c in MOMENTS]
        rows = [c for c in frame.columns if c in ROWS]
        number = pl.int_range(pl.len(), dtype=pl.Int64) // max(frame.height, 1)
        longer = pl.concat([frame] * times, rechunk=True)
        tables[name] = longer.with_columns(
            **{c: pl.col(c) + number * length for c in moved},
            **{c: _shifted(c, number, evidence.tables) for c in rows},
        )
    return replace(evidence, tables=tables, end_ns=evidence.end_ns + (times - 1) * length)


MOMENTS = ("start_ns", "end_ns", "t_ns", "request_ns", "reply_ns", "from_ns", "to_ns")
ROWS = ("from_row", "to_row")


def _shifted(column: str, number: pl.Expr, tables: Mapping[str, pl.DataFrame]) -> pl.Expr:
    """Rows of links: of the copy of their table that they are in."""
    heights = {name: frame.height for name, frame in tables.items()}
    table = pl.col(column.replace("row", "table"))
    height = table.replace_strict(heights, default=0, return_dtype=pl.Int64)
    return (pl.col(column).cast(pl.Int64) + number * height).cast(pl.UInt32)


class Bench(App[None]):
    """The widgets alone."""

    def compose(self) -> ComposeResult:
        """Ribbon and timeline."""
        yield Ribbon()
        yield TimelineRows()

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Colours of parties and states."""
        return variables(dark=True)


def paint(rows: TimelineRows) -> None:
    """Draw every row of the screen."""
    for y in range(rows.size.height):
        rows.render_line(y)


def percentile(took: list[float], of: int) -> str:
    """Milliseconds."""
    return f"{1e3 * float(np.percentile(took, of)):.1f} ms"


def timed(rows: TimelineRows, step: Callable[[], object], count: int) -> list[float]:
    """Seconds of this thread's own work for each step and the drawing after it."""
    took = []
    for _ in range(count):
        begin = time.thread_time()  # not the wall clock: others run on these cores
        step()
        paint(rows)
        took.append(time.thread_time() - begin)
    return took


@dataclass
class Begun:
    """When the clocks stood where."""

    wall: float
    process: float

    @classmethod
    def now(cls) -> Begun:
        """Now."""
        return cls(time.perf_counter(), time.process_time())

    def since(self) -> str:
        """Milliseconds since then."""
        wall, process = time.perf_counter() - self.wall, time.process_time() - self.process
        return f"{1e3 * wall:.0f} ms, {1e3 * process:.0f} ms of all threads"


def steps_of(rows: TimelineRows, view: RunView) -> dict[str, Callable[[], object]]:
    """The ways to move that are measured."""
    random = np.random.default_rng(1)
    return {
        "a row down": lambda: rows.action_move(1),
        "a page down": lambda: rows.action_page(1),
        "anywhere": lambda: rows.go_to(int(random.choice(view.events.t_ns))),
    }


async def measured(view: RunView, begun: Begun) -> list[list[str]]:
    """Rows of the result; `begun`: when the indexing began."""
    app = Bench()
    async with app.run_test(size=(WIDTH, HEIGHT)) as pilot:
        rows, ribbon = app.query_one(TimelineRows), app.query_one(Ribbon)
        parties = range(len(view.parties.every))
        ribbon.view, ribbon.parties = view, tuple(parties)
        rows.show(view, parties, place_ns=view.start_ns)
        paint(rows)
        for y in range(ribbon.size.height):
            ribbon.render_line(y)
        first = begun.since()
        await pilot.pause()
        settle_collector()
        out = [["step", "median", "99th percentile", "first"]]
        out += depths(rows, view)
        rows.depth = "events"
        keep = np.arange(len(view.events)) % 3 > 0
        once = timed(rows, lambda: rows.show(view, parties, keep), 1)
        for name, step in steps_of(rows, view).items():
            out.append(line(f"filtered: {name}", timed(rows, step, STEPS)))
        out.append([f"(putting the filter on: {1e3 * once[0]:.0f} ms)", "", "", ""])
        out.append([f"(index and first paint: {first})", "", "", ""])
        return out


def depths(rows: TimelineRows, view: RunView) -> list[list[str]]:
    """Steps at both depths of a long run, and from one to the other."""
    out = []
    for depth in ("minutes", "events"):
        rows.depth = depth
        for name, step in steps_of(rows, view).items():
            out.append(line(f"{depth}: {name}", timed(rows, step, STEPS)))
    deeper = iter([-1, 1] * STEPS)
    took = timed(rows, lambda: rows.action_deeper(next(deeper)), STEPS)
    out.append(line("events to minutes and back", took))
    width = iter([1, -1] * STEPS)
    rows.depth = "minutes"
    took = timed(rows, lambda: rows.action_width(next(width)), 20)
    out.append(line("(minutes: another width)", took))
    return out


async def measured_bits(view: RunView) -> list[list[str]]:
    """Steps over the bits of a run whose levels are kept."""
    app = Bench()
    async with app.run_test(size=(WIDTH, HEIGHT)):
        rows = app.query_one(TimelineRows)
        rows.show(view, range(len(view.parties.every)), place_ns=view.start_ns)
        settle_collector()
        deeper = iter([1, -1] * STEPS)
        out = [
            line(
                "events to bits and back",
                timed(rows, lambda: rows.action_deeper(next(deeper)), STEPS),
            )
        ]
        rows.depth = "bits"
        for name, step in steps_of(rows, view).items():
            out.append(line(f"bits: {name}", timed(rows, step, STEPS)))
        return out


def line(name: str, took: list[float]) -> list[str]:
    """A row of the result."""
    return [name, percentile(took, 50), percentile(took, 99), f"{1e3 * took[0]:.1f} ms"]


def settle_collector() -> None:
    """As the console does when all is read."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


def forget_peak() -> int:
    """Let the peak of this process begin anew (Linux: clear_refs of proc(5)); what it is now.

    What was freed is given back before, or it would hide what is taken later.
    """
    ctypes.CDLL("libc.so.6").malloc_trim(0)
    time.sleep(GIVEN_BACK_S)
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    return own_peak_bytes()


def kept_bytes(view: RunView) -> int:
    """What stays of a view beside the tables."""
    events, links = view.events, view.links
    columns: list[npt.NDArray[Any]] = [
        events.t_ns,
        events.table,
        events.row,
        events.party,
        events.state,
        links._to_row,
    ]
    for counts, answers in [(view.fine, None), *view._buckets.values()]:
        columns += [counts.events, counts.odd, counts.bad, counts.unseen, counts.parts]
        if answers is not None:
            columns += [answers.asked, answers.answered, answers.wrong]
            columns += [answers.median_ns, answers.most_ns]
    return sum(column.nbytes for column in columns)


def main(events: int) -> None:
    """Measure and print."""
    inputs = settled([str(DEMO)], Overrides())
    read = gathered(inputs, keep_edges=True)
    demo = view_of(read, inputs.bench, inputs.file)
    evidence = many(replace(read, tables=demo.tables), events)
    table_bytes = sum(frame.estimated_size() for frame in evidence.tables.values())
    gc.collect()
    before = forget_peak()
    begun = Begun.now()
    view = view_of(evidence, inputs.bench, inputs.file)
    count = len(view.events)
    print(f"{count:,} events, {evidence.tables['links'].height:,} links, {WIDTH}x{HEIGHT}")
    found = asyncio.run(measured(view, begun))
    peak = own_peak_bytes() - before
    print(table(found + asyncio.run(measured_bits(demo))))
    print(
        f"bytes an event: {kept_bytes(view) / count:.0f} stay, {peak / count:.0f} at the most over"
        f" the tables, which take {table_bytes / count:.0f}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000)

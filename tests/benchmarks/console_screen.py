"""The timeline on millions of events: first paint, steps, memory.

    python -m tests.benchmarks.console_screen [events]

The demo's tables are laid end to end until there are so many events. Measured is what the widget
does: laying out and drawing every visible row of a 140x45 terminal after each step, at random
places of the run and along it, at each depth. Bytes an event are those of the console beside the
tables: the index of events, the index of links, the counts of the ribbon.
"""

from __future__ import annotations

import asyncio
import gc
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
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
        shift = pl.int_range(pl.len(), dtype=pl.Int64) // max(frame.height, 1) * length
        longer = pl.concat([frame] * times, rechunk=True)
        tables[name] = longer.with_columns(**{c: pl.col(c) + shift for c in moved})
    return replace(evidence, tables=tables, end_ns=evidence.end_ns + (times - 1) * length)


MOMENTS = ("start_ns", "end_ns", "t_ns", "request_ns", "reply_ns")


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


async def measured(view: RunView, indexed_s: float) -> list[list[str]]:
    """Rows of the result."""
    app = Bench()
    async with app.run_test(size=(WIDTH, HEIGHT)) as pilot:
        rows, ribbon = app.query_one(TimelineRows), app.query_one(Ribbon)
        parties = range(len(view.parties.every))
        begin = time.perf_counter()
        ribbon.view, ribbon.parties = view, tuple(parties)
        rows.show(view, parties, place_ns=view.start_ns)
        paint(rows)
        for y in range(ribbon.size.height):
            ribbon.render_line(y)
        first_s = time.perf_counter() - begin
        await pilot.pause()
        random = np.random.default_rng(1)
        steps: dict[str, Callable[[], object]] = {
            "a row down": lambda: rows.action_move(1),
            "a page down": lambda: rows.action_page(1),
            "anywhere in the run": lambda: rows.go_to(int(random.choice(view.events.t_ns))),
        }
        gc.collect()
        gc.freeze()
        gc.set_threshold(50_000, 20, 20)
        out = [["step", "median", "99th percentile"]]
        for depth in ("events", "minutes"):
            rows.depth = depth
            paint(rows)
            for name, step in steps.items():
                took = timed(rows, step, STEPS)
                out.append([f"{depth}: {name}", percentile(took, 50), percentile(took, 99)])
        deeper = iter([1, -1, 1, -1] * STEPS)
        rows.depth = "minutes"
        took = timed(rows, lambda: rows.action_deeper(next(deeper)), STEPS)
        out.append(["minutes to events and back", percentile(took, 50), percentile(took, 99)])
        out.append(["first paint, index and counts", f"{1e3 * (indexed_s + first_s):.0f} ms", ""])
        return out


def main(events: int) -> None:
    """Measure and print."""
    inputs = settled([str(DEMO)], Overrides())
    evidence = many(gathered(inputs), events)
    table_bytes = sum(frame.estimated_size() for frame in evidence.tables.values())
    gc.collect()
    before = own_peak_bytes()
    begin = time.perf_counter()
    view = view_of(evidence, inputs.bench, inputs.file)
    indexed_s = time.perf_counter() - begin
    count = len(view.events)
    print(f"{count:,} events, {WIDTH}x{HEIGHT}")
    print(table(asyncio.run(measured(view, indexed_s))))
    own = sum(
        column.nbytes
        for column in (
            view.events.t_ns,
            view.events.table,
            view.events.row,
            view.events.party,
            view.events.state,
        )
    )
    print(
        f"index {own / count:.0f} bytes an event; peak while indexing and drawing over the tables"
        f" {(own_peak_bytes() - before) / count:.0f}; the tables {table_bytes / count:.0f}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000)

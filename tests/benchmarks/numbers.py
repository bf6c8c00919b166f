"""How long numbers take from tables of millions of rows to a drawn plot.

    python -m tests.benchmarks.numbers [rows]

Times are the least of three runs; beside each stands the same for a tenth of the rows, so that
what grows faster than the rows shows.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np
import polars as pl

from console.app.widgets.plot import UNICODE
from console.app.widgets.plot_lane import PlotSeries, draw_lane
from console.timeline.numbers.numeric_fields import NumberSeries, numbers_of, numeric_fields
from tests.console.timeline.number_tables import packets_described

T = TypeVar("T")
PATHS = ("latency_ns", "fields.cm", "fields.blocks.0.x", "fields.blocks.1.x", "text.1")


def _text(*parts: str | pl.Expr) -> pl.Expr:
    return pl.concat_str([pl.lit(p) if isinstance(p, str) else p.cast(pl.String) for p in parts])


def tables(rows: int) -> dict[str, pl.DataFrame]:
    """Exchanges, messages, packets and prints, each of so many rows."""
    count, level = pl.col("k"), pl.col("k") % 10_007 / 10
    texts = pl.DataFrame({"k": np.arange(rows)}).select(
        cm=_text('{"n":', count, ',"cm":', level, ',"low":false}'),
        line=_text("hopper: poll ", count, " level ", level, " cm"),
        block=_text(
            '{"sum":9,"state":{"turns":3,"mode":0},"blocks":[{"x":',
            level,
            ',"sum":1},{"x":7,"sum":2}]}',
        ),
    )
    times = pl.Series(np.arange(rows, dtype=np.int64) * 1_000)
    band = pl.Series(np.zeros(rows, np.int64))

    def table(time: str, **columns: str | pl.Series) -> pl.DataFrame:
        frame = pl.DataFrame({time: times, "band_ns": band})
        return frame.with_columns(
            **{n: pl.lit(c) if isinstance(c, str) else c for n, c in columns.items()}
        )

    none = pl.Series("fields", [None], dtype=pl.String).new_from_index(0, rows)
    return {
        "exchanges": table("request_ns", device="camera", request="ask", latency_ns=times),
        "messages": table("t_ns", source="broker", topic="cap/level", fields=texts["cm"]),
        "packets": table("start_ns", device="camera", packet="blocks", fields=texts["block"]),
        "prints": table("t_ns", source="board", text=texts["line"], fields=none),
    }


def least(work: Callable[[], T]) -> tuple[float, T]:
    """Seconds of the quickest of three runs, and its result."""
    best, result = float("inf"), None
    for _ in range(3):
        begin = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - begin)
    assert result is not None
    return best, result


def times_of(rows: int) -> dict[str, float]:
    """Seconds by what is done."""
    made = tables(rows)
    found: dict[str, float] = {}
    found["find all fields"], fields = least(lambda: numeric_fields(made, packets_described()))
    series: list[NumberSeries] = []
    for path in PATHS:
        [field] = [each for each in fields if each.path == path]
        found[f"read {path}"], read = least(lambda field=field: numbers_of(made, field))  # type: ignore[misc]
        assert len(read) == rows
        series.append(read)
    found["prepare"], plotted = least(lambda: PlotSeries.of(series[1], [], 1))
    edges = np.linspace(0, rows * 1_000, 2 * 120 + 1).astype(np.int64)

    def draw() -> list[list[tuple[str, int]]]:
        signs = UNICODE
        return draw_lane([plotted], edges, 30, signs.dots, signs.limit, signs.node).canvas.runs()

    found["draw 120 x 30"], _ = least(draw)
    return found


def main() -> None:
    """Print a table."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000
    small, large = times_of(rows // 10), times_of(rows)
    print(f"| {'':24} | {rows // 10:>12,} | {rows:>12,} |")
    for what, seconds in large.items():
        print(f"| {what:24} | {small[what] * 1e3:9.1f} ms | {seconds * 1e3:9.1f} ms |")


if __name__ == "__main__":
    main()

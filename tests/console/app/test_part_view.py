from __future__ import annotations

from pathlib import Path

import numpy as np

from console.app.part_view import part_view, ribbon_of
from console.app.run_view import RIBBON_BINS, RunView
from console.pipeline.run_window import RunTail
from console.run.rows import Counts
from console.run.stored import StoredRun
from console.timeline.parties import Parties, Party
from tests.console.app.growing_runs import APART_NS, Growing

S = 1_000_000_000
PARTIES = Parties(
    (Party("line board", "board", ""), Party("broker", "network", "")),
    {"controller": 0, "broker": 1},
    {},
    {},
    {},
)


def counts(*rows: tuple[int, int, int, int]) -> Counts:
    """Rows of begin in s, source, records, troubles."""
    table = np.array(rows, np.int64).reshape(-1, 4)
    return Counts(
        10 * S,
        ("controller", "broker", "nobody knows"),
        table[:, 0] * S,
        table[:, 1],
        table[:, 2],
        table[:, 2] * 100,
        table[:, 3],
    )


def test_everything_that_came_stands_in_the_ribbon_in_its_place() -> None:
    found = ribbon_of(counts((0, 0, 5, 0), (10, 1, 7, 2), (30, 0, 1, 1)), PARTIES, 0, 40 * S - 1)
    assert found.events.tolist() == [[5, 0], [0, 7], [0, 0], [1, 0]]
    assert found.bad.tolist() == [[0, 0], [0, 2], [0, 0], [1, 0]]
    assert (found.first_ns, found.width_ns) == (0, 10 * S)


def test_a_week_takes_no_more_bins_than_the_ribbon_has_room_for() -> None:
    week = 7 * 86_400
    rows = [(at, 0, 3, 0) for at in range(0, week, 10)]
    found = ribbon_of(counts(*rows), PARTIES, 0, week * S)
    assert len(found) <= RIBBON_BINS
    assert int(found.events.sum()) == 3 * len(rows)


def test_a_source_that_has_no_column_and_a_run_without_records_are_no_trouble() -> None:
    assert ribbon_of(counts((0, 2, 5, 0)), PARTIES, 0, S).events.sum() == 0
    assert ribbon_of(counts(), PARTIES, 0, S).events.tolist() == [[0, 0]]


def test_a_bucket_that_begins_before_the_run_is_counted_at_its_begin() -> None:
    found = ribbon_of(counts((0, 0, 5, 0)), PARTIES, 9 * S, 30 * S)
    assert found.events[:, 0].tolist() == [5, 0, 0]


def views(folder: Path, most: int) -> tuple[Growing, RunView]:
    growing = Growing(folder, before=400)
    growing.writer.close()
    with StoredRun(folder) as run:
        tail = RunTail(run, most)
        tail.take()
        return growing, part_view(tail.part(), tail.file, run.counts(), grows=True)


def test_a_part_has_its_own_span_and_the_times_of_the_whole_run(tmp_path: Path) -> None:
    growing, view = views(tmp_path, 100)
    assert view.held is not None
    assert view.start_ns == growing.start_ns
    assert view.span_ns[0] == int(view.events.t_ns[0])
    assert view.held.is_newest
    buckets, _ = view.buckets(S)
    assert buckets.first_ns <= view.span_ns[0] < buckets.first_ns + S
    assert (buckets.first_ns - view.start_ns) % S == 0
    assert int(buckets.events.sum()) == len(view.events)
    assert int(view.fine.events[:, 0].sum()) == 401  # lines, and that it was opened


def test_a_run_that_is_here_whole_has_the_ribbon_of_its_events(tmp_path: Path) -> None:
    _, view = views(tmp_path, 10_000)
    assert view.held is not None
    assert view.held.span_ns == (view.start_ns, view.end_ns)
    assert view.fine.width_ns < 10 * S
    assert APART_NS == S // 10

"""A part of a recorded run as the screens see it, with a ribbon over the whole of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from console.app.run_view import RIBBON_BINS, Held, RunView, view_of
from console.bench.load import BenchFile
from console.pipeline.run_window import Part
from console.run.rows import Counts
from console.timeline.buckets import PART, Buckets
from console.timeline.parties import Parties


def part_view(part: Part, file: BenchFile, counts: Counts, *, grows: bool) -> RunView:
    """The view of a part.

    Args:
        part: of the run.
        file: the bench it was recorded by.
        counts: what came when, of the whole run.
        grows: whether it is being recorded.
    """
    view = view_of(part.evidence, file.bench, file)
    whole = view.start_ns, view.end_ns
    is_newest = part.held_ns[1] >= view.end_ns
    return replace(
        view,
        fine=view.fine if part.held_ns == whole else ribbon_of(counts, view.parties, *whole),
        held=Held(part.held_ns, is_newest=is_newest, grows=grows),
    )


def ribbon_of(counts: Counts, parties: Parties, start_ns: int, end_ns: int) -> Buckets:
    """What came over a whole run, in `RIBBON_BINS` at most.

    Records are counted, not events: lines and messages come one or some a record. A count lies in
    the bin of its bucket's middle; what went wrong with a source (lost, refused, ..) counts as bad.
    """
    span = max(end_ns + 1 - start_ns, 1)
    width_ns = max(-(-span // RIBBON_BINS), counts.width_ns)
    bins, columns = max(1, -(-span // width_ns)), len(parties.every)
    events, bad = (np.zeros((bins, columns), np.int64) for _ in range(2))
    column = np.array([parties.by_source.get(name, -1) for name in counts.sources], np.int64)
    if len(counts.bucket_ns):
        middle = np.clip(counts.bucket_ns + counts.width_ns // 2, start_ns, end_ns)
        bin_, party = (middle - start_ns) // width_ns, column[counts.source]
        known = party >= 0
        at = bin_[known], party[known]
        np.add.at(events, at, counts.records[known])
        np.add.at(bad, at, counts.troubles[known])
    none = np.zeros_like(events)
    parts = np.zeros((bins, columns, PART), np.uint32)
    return Buckets(start_ns, width_ns, events, none, np.minimum(bad, events), none, parts)

"""The run in buckets of time: what each party did in each, for the coarsest look and the ribbon."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.events import BAD, ODD, UNSEEN, Events

Int64s = npt.NDArray[np.int64]
Counts = npt.NDArray[np.int64]

# Bucket widths offered, in ns: 1, 2, 5 times powers of ten up to 10 s, then as clocks count.
WIDTHS_NS: tuple[int, ...] = tuple(
    [m * 10**e for e in range(3, 10) for m in (1, 2, 5)]
    + [s * 10**9 for s in (10, 30, 60, 300, 600, 1800, 3600, 3 * 3600, 6 * 3600, 24 * 3600)]
)
ROWS_WANTED = 40  # rows the whole run should take at first
PART = 8  # finer counts within a bucket, for its small plot


@dataclass(frozen=True, slots=True, eq=False)
class Buckets:
    """n buckets of one width over p parties; bucket k covers first_ns + [k, k + 1) * width_ns."""

    first_ns: int
    width_ns: int
    events: Counts  # [n, p]
    odd: Counts  # [n, p]
    bad: Counts  # [n, p] what was bad or did not come
    unseen: Counts  # [n, p]
    parts: npt.NDArray[np.uint32]  # [n, p, PART] events in each eighth of it

    def __len__(self) -> int:
        return int(self.events.shape[0])

    def at(self, t_ns: int) -> int:
        """The bucket of a time; the nearest one outside the run."""
        return min(max((t_ns - self.first_ns) // self.width_ns, 0), len(self) - 1)

    def begins_ns(self, k: int) -> int:
        """Where bucket k begins."""
        return self.first_ns + k * self.width_ns


def usual_width_ns(start_ns: int, end_ns: int) -> int:
    """The width by which a run takes about `ROWS_WANTED` rows."""
    span = max(end_ns - start_ns, 1)
    off = [abs(math.log(span / width / ROWS_WANTED)) for width in WIDTHS_NS]
    return WIDTHS_NS[off.index(min(off))]


def buckets_of(events: Events, parties: int, start_ns: int, end_ns: int, width_ns: int) -> Buckets:
    """Count the events of every bucket.

    Args:
        events: n events.
        parties: how many parties there are.
        start_ns: where the first bucket begins: the start of the run.
        end_ns: the end of the run.
        width_ns: of a bucket; at most a million buckets.

    Raises:
        ValueError: when that makes more than a million buckets.
    """
    count = max(1, -(-(end_ns + 1 - start_ns) // width_ns))
    if count > 1_000_000:
        raise ValueError(f"{count:,} buckets of {width_ns} ns")
    # Events stand in order: where each eighth begins among them is found, not worked out of each.
    eighths = np.arange(count * PART + 1, dtype=np.int64)
    borders_ns = start_ns + eighths // PART * width_ns + -(-(eighths % PART * width_ns) // PART)
    borders = events.t_ns.searchsorted(borders_ns)
    inside = slice(int(borders[0]), int(borders[-1]))
    party, state = events.party[inside], events.state[inside]
    flat = np.repeat(eighths[:-1] * parties, np.diff(borders))
    flat += party
    fine = np.bincount(flat, minlength=count * PART * parties).astype(np.uint32)
    parts = fine.reshape(count, PART, parties).swapaxes(1, 2)
    rare = np.flatnonzero(state)
    cells = flat[rare] // (PART * parties) * parties + party[rare]
    odd, bad, unseen = (
        np.bincount(cells[state[rare] == s], minlength=count * parties).reshape(count, parties)
        for s in (ODD, BAD, UNSEEN)
    )
    events_in = parts.sum(axis=2, dtype=np.int64)
    return Buckets(start_ns, width_ns, events_in, odd, bad, unseen, parts)


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """Of each bucket and party: requests, how many were answered, and how fast."""

    asked: Counts  # [n, p]
    answered: Counts  # [n, p] a reply came
    wrong: Counts  # [n, p] one that was late or not valid
    median_ns: npt.NDArray[np.float64]  # [n, p] of the latency; not-a-number without an answer
    most_ns: npt.NDArray[np.float64]  # [n, p] its largest


def answers_of(
    exchanges: pl.DataFrame, party_of: dict[str, int], buckets: Buckets, parties: int
) -> Answers:
    """Requests and answers of every bucket, counted where the request was made.

    Args:
        exchanges: the table.
        party_of: device name -> party.
        buckets: whose borders are used.
        parties: how many there are.
    """
    shape = (len(buckets), parties)
    asked, answered, wrong = (np.zeros(shape, np.int64) for _ in range(3))
    median, most = np.full(shape, np.nan), np.full(shape, np.nan)
    if not exchanges.height or not party_of:
        return Answers(asked, answered, wrong, median, most)
    rows = (
        exchanges.lazy()
        .filter(pl.col("request_ns").is_not_null())
        .select(
            bucket=(pl.col("request_ns") - buckets.first_ns) // buckets.width_ns,
            party=pl.col("device").replace_strict(party_of, default=None, return_dtype=pl.Int64),
            came=pl.col("reply_ns").is_not_null(),
            good=pl.col("outcome") == "answered",
            latency=pl.col("latency_ns"),
        )
        .filter(pl.col("bucket").is_between(0, len(buckets) - 1) & pl.col("party").is_not_null())
        .group_by("bucket", "party")
        .agg(
            asked=pl.len(),
            answered=pl.col("came").sum(),
            wrong=(pl.col("came") & ~pl.col("good")).sum(),
            median=pl.col("latency").median(),
            most=pl.col("latency").max().cast(pl.Float64),
        )
        .collect()
    )
    at = rows["bucket"].to_numpy(), rows["party"].to_numpy()
    asked[at], answered[at] = rows["asked"].to_numpy(), rows["answered"].to_numpy()
    wrong[at] = rows["wrong"].to_numpy()
    median[at] = rows["median"].fill_null(np.nan).to_numpy()
    most[at] = rows["most"].fill_null(np.nan).to_numpy()
    return Answers(asked, answered, wrong, median, most)

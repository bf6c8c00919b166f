"""Causes against labelled runs: `python -m tests.benchmarks.causes [variants] [first] [cause ..]`.

Each run of the corpus is written to files and goes through the whole pipeline, as `check` does; the
cause that is likeliest over its stories is held against the label. Clean, and with samples twice as
far apart and one kind of source left out. Prints Markdown: hits, the confusion matrix of what went
wrong, and the claims over healthy twins and over a million healthy transactions.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl

from captures_demo.simulator.corpus import CAUSES, labelled, write_labelled
from console.bench.model import Bench
from console.bench.tables import TABLES
from console.diagnosis.causes.catalogue import BY_SLUG
from console.diagnosis.causes.ranking import Ranking, ranked, together
from console.diagnosis.cutting import episodes_of
from console.diagnosis.scene import Scene, SceneSource
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.looked import looked_at
from console.trust.unobserved import Unobserved
from tests.benchmarks.measure import table

KINDS = ("prints", "messages", "capture")


@dataclass(frozen=True, slots=True)
class Judged:
    """One labelled run and what was said of it."""

    cause: str
    variant: int
    without: str
    claimed: tuple[str, ...]

    def within(self, first: int) -> bool:
        """Whether the label is among the first so many."""
        return self.cause in self.claimed[:first]

    @property
    def said(self) -> str:
        """What was said first."""
        return next(iter(self.claimed), "nothing")


def ranking_of(bench: Path) -> Ranking:
    """The ranking over the stories of a run: of what stopped, and of the run as a whole."""
    inputs = settled([str(bench)], Overrides())
    try:
        evidence = gathered(inputs, keep_edges=True)
    finally:
        inputs.close()
    looked = looked_at(evidence, inputs.bench)
    whole = [] if looked.whole is None else [looked.whole.ranking]
    return together([*(each.ranking for each in looked.found), *whole])


def judge(cause: str, variant: int, *, coarser: int = 1, without: str = "") -> Judged:
    """Make a run, read it, and rank its causes."""
    run = labelled(cause, variant)
    with tempfile.TemporaryDirectory() as folder:
        left_out = (without,) if without else ()
        bench = write_labelled(run, Path(folder), coarser=coarser, without=left_out)
        claimed = tuple(row.cause.slug for row in ranking_of(bench).claimed)
    return Judged(cause, variant, without, claimed)


def missing_one(cause: str, variant: int) -> str:
    """A kind of source to leave out, other than those without which nothing can show the cause."""
    needs = BY_SLUG[cause].needs if cause in BY_SLUG else ("capture",)
    able = [kind for kind in KINDS if kind not in needs]
    return able[variant % len(able)] if able else ""


def clean(causes: Sequence[str], variants: range) -> Iterator[Judged]:
    """Every run as it is."""
    return (judge(cause, variant) for cause in causes for variant in variants)


def degraded(causes: Sequence[str], variants: range) -> Iterator[Judged]:
    """Every run with half the samples and one kind of source less."""
    return (
        judge(cause, variant, coarser=2, without=missing_one(cause, variant))
        for cause in causes
        for variant in variants
    )


def confusion(found: Sequence[Judged], first: int) -> list[list[object]]:
    """Per cause: runs, hits first, hits among the first so many, and what was said instead."""
    rows: list[list[object]] = [["cause", "runs", "first", f"first {first}", "said instead"]]
    for cause in dict.fromkeys(each.cause for each in found):
        own = [each for each in found if each.cause == cause]
        wrong = Counter(each.said for each in own if not each.within(1))
        instead = ", ".join(f"{said} {count}" for said, count in wrong.most_common())
        hits = [sum(each.within(n) for each in own) for n in (1, first)]
        rows.append([cause, len(own), *hits, instead])
    total = [sum(each.within(n) for each in found) for n in (1, first)]
    shares = [f"{hit} ({hit / max(len(found), 1):.1%})" for hit in total]
    return [*rows, ["all", len(found), *shares, ""]]


def healthy_claims(causes: Sequence[str], variants: range) -> list[tuple[str, int, str]]:
    """What is claimed of the healthy twins."""
    found = []
    for cause in causes:
        for variant in variants:
            with tempfile.TemporaryDirectory() as folder:
                bench = write_labelled(labelled(cause, variant, healthy=True), Path(folder))
                claims = ranking_of(bench).claimed
            found += [(cause, variant, row.cause.slug) for row in claims]
    return found


PERIOD_NS = 10_000_000


def healthy_million(polls: int = 250_000) -> tuple[list[str], float]:
    """What is claimed of two devices over a million healthy transactions, and the seconds taken.

    Transactions alone, a register write and a read with noise of its own in each poll; the wire of
    so many is not kept.
    """
    rng = np.random.default_rng(7)
    parts = []
    for device, address in enumerate((0x2E, 0x37)):
        begin = np.arange(polls, dtype=np.int64) * PERIOD_NS + device * 4_000_000
        noise = rng.integers(0, 60, polls)
        data = [f"{k & 0xFFFF:04x}40{n:02x}" for k, n in enumerate(noise.tolist())]
        for is_read, at in ((False, 0), (True, 400_000)):
            parts.append(_rows(begin + at, address, is_read, data if is_read else ["10"] * polls))
    rows = pl.concat(parts).sort("start_ns")
    end = polls * PERIOD_NS
    tables = {"transactions": rows}
    sources = [SceneSource("wire", "capture", end)]
    begun = time.perf_counter()
    lives = episodes_of(Bench(), tables, _Seen(end))
    claims = [
        row.cause.slug
        for life in lives
        for row in ranked(Scene(life, tables, 0, end, sources)).claimed
    ]
    return claims, time.perf_counter() - begun


@dataclass(frozen=True)
class _Seen:
    until_ns: int
    observed_until: dict[str, int] = field(default_factory=dict)
    unobserved: dict[str, Unobserved] = field(default_factory=dict)
    off_axis: tuple[str, ...] = ()


def _rows(
    start: npt.NDArray[np.int64], address: int, is_read: bool, data: Sequence[str]
) -> pl.DataFrame:
    n = len(start)
    acks = "AAAN" if is_read else "A"
    frame = pl.DataFrame({"start_ns": start, "end_ns": start + 380_000, "data": data})
    return frame.with_columns(
        source=pl.lit("wire"),
        bus=pl.lit("i2c-1"),
        address=pl.lit(address, pl.Int32),
        address_bits=pl.lit(7, pl.UInt8),
        read=pl.lit(is_read),
        address_acked=pl.lit(value=True),
        acks=pl.lit(acks),
        started_by=pl.lit("start"),
        ended_by=pl.lit("stop"),
        problems=pl.Series([[]] * n, dtype=pl.List(pl.String)),
        band_ns=pl.lit(0, pl.Int64),
    ).select(list(TABLES["transactions"]))


def main(arguments: Sequence[str]) -> None:
    """Measure and print."""
    variants = int(arguments[0]) if arguments else 20
    first = int(arguments[1]) if len(arguments) > 1 else 0
    causes = arguments[2:] or tuple(cause for cause in CAUSES if cause in BY_SLUG)
    chosen = range(first, first + variants)
    begun = time.perf_counter()
    for title, found in (
        ("as it is", list(clean(causes, chosen))),
        ("half the samples, one source less", list(degraded(causes, chosen))),
    ):
        print(f"\n{title}:\n")
        print(table(confusion(found, 3)))
    claims = healthy_claims(causes, range(first, first + max(variants // 10, 1)))
    print(f"\nclaims of healthy twins: {claims or 'none'}")
    claimed, seconds = healthy_million()
    print(f"claims of a million healthy transactions: {claimed or 'none'}, in {seconds:.1f} s")
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])

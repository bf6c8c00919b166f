"""Causes against labelled runs: `python -m tests.benchmarks.causes [variants] [first] [cause ..]`.

Each run of the corpus is written to files and goes through the whole pipeline; the cause that is
likeliest over its scenes is held against the label. Clean, and with samples twice as far apart and
one kind of source left out. Prints Markdown: hits, the confusion matrix of what went wrong, and the
claims over healthy twins and over a million healthy transactions.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from captures_demo.simulator.corpus import CAUSES, labelled, write_labelled
from console.diagnosis.causes.catalogue import BY_SLUG
from console.diagnosis.causes.ranking import Ranking, ranked, together
from console.diagnosis.episode import whole_run
from console.pipeline.diagnosing import episodes_in, scene_of
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.run_findings import timed_rows
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
    """The ranking over everything there is to look at in a run.

    Every device's episodes, failed or not, and the run as a whole.
    """
    inputs = settled([str(bench)], Overrides())
    try:
        evidence = gathered(inputs, keep_edges=True)
    finally:
        inputs.close()
    tables = timed_rows(evidence.tables)
    episodes = episodes_in(evidence, inputs.bench)
    whole = whole_run(evidence.start_ns, evidence.end_ns)
    return together([ranked(scene_of(evidence, tables, each)) for each in (*episodes, whole)])


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
    print(f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])

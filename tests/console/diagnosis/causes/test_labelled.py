"""A small fixed part of the labelled runs, through files and the whole pipeline."""

from __future__ import annotations

from pathlib import Path

import pytest

from captures_demo.simulator.corpus import labelled, write_labelled
from tests.benchmarks.causes import judge, ranking_of

RUNS = (
    ("orphaned-read", 3),
    ("stretch-creep", 3),
    ("supply-dip", 3),
    ("nack-trap", 3),
    ("leftover-byte", 3),
    ("client-id-duel", 3),
)


@pytest.mark.parametrize(("cause", "variant"), RUNS)
def test_label_of_a_run_is_its_first_cause(cause: str, variant: int) -> None:
    assert judge(cause, variant).said == cause


def test_healthy_twin_claims_nothing(tmp_path: Path) -> None:
    bench = write_labelled(labelled("orphaned-read", 3, healthy=True), tmp_path)
    assert ranking_of(bench).claimed == ()

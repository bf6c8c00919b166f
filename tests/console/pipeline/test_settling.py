"""One reading, settled again and again as the user decides about its clocks."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Inputs, Overrides, settled
from console.pipeline.reading import Reading, read_all
from console.pipeline.settling import evidence_of
from console.timeline.alignment.anchors import NO_ROW, Reason
from console.timeline.alignment.decisions import NOTHING_DECIDED, Decisions

DEMO = Path(__file__).parents[3] / "captures_demo" / "cap_line"


def inputs() -> Inputs:
    return settled([str(DEMO / "bench.toml")], Overrides())


@pytest.fixture(scope="module")
def reading() -> Reading:
    return read_all(inputs())


@pytest.fixture(scope="module")
def evidence(reading: Reading) -> Evidence:
    return evidence_of(reading)


def without_first(evidence: Evidence, source: str, count: int) -> Decisions:
    """The first anchors of a source rejected by hand."""
    anchors = evidence.anchors[source]
    some = anchors.taken(np.flatnonzero(anchors.kept)[:count])
    return NOTHING_DECIDED.rejecting(source, some.identities())


def differing(one: Evidence, other: Evidence) -> Iterator[str]:
    """In what two evidences differ."""
    for name, table in one.tables.items():
        if not table.equals(other.tables[name]):
            yield name
    for name in ("name", "findings", "start_ns", "end_ns", "interrupted"):
        if getattr(one, name) != getattr(other, name):
            yield name
    if [str(each) for each in one.sources] != [str(each) for each in other.sources]:
        yield "sources"
    for source, anchors in one.anchors.items():
        for column in ("own_row", "residual_ns", "reason", "piece"):
            if (getattr(anchors, column) != getattr(other.anchors[source], column)).any():
                yield f"{source} {column}"


def test_the_demo_tells_the_2043_anchors_of_the_controller(evidence: Evidence) -> None:
    anchors = evidence.anchors["controller"]
    (piece,) = evidence.clocks["controller"].pieces
    assert int(anchors.kept.sum()) == piece.anchors == 2043
    assert {value.name for value in anchors.shared} >= {"poll", "seq"}
    assert {value.other for value in anchors.shared} == {"wire"}


def test_every_source_of_the_demo_has_anchors_and_the_axis_none(evidence: Evidence) -> None:
    counts = {name: int(anchors.kept.sum()) for name, anchors in evidence.anchors.items()}
    pieces = {name: clock.pieces[0].anchors for name, clock in evidence.clocks.items()}
    assert counts == pieces
    assert counts["wire"] == 0


@pytest.mark.parametrize("source", ["controller", "broker"])
def test_anchors_of_the_demo_lead_to_their_lines(evidence: Evidence, source: str) -> None:
    """The own event on the axis is the row's time in the table, the other one's the residual on."""
    anchors = evidence.anchors[source]
    table = evidence.tables[{"controller": "prints", "broker": "messages"}[source]]
    times = table.filter(pl.col("source") == source)["t_ns"].to_numpy()
    own = anchors.common_ns - anchors.residual_ns
    assert np.isin(own, times).all()


def test_settling_again_gives_the_same(reading: Reading, evidence: Evidence) -> None:
    assert list(differing(evidence_of(reading), evidence)) == []


def test_after_any_decisions_one_reading_settles_as_a_fresh_one(
    reading: Reading, evidence: Evidence
) -> None:
    decided = without_first(evidence, "controller", 500).accepting(
        "broker", evidence.anchors["broker"].taken(np.arange(40)).identities()
    )
    changed = evidence_of(reading, decided)
    assert list(differing(changed, evidence_of(read_all(inputs()), decided))) == []
    assert list(differing(evidence_of(reading), evidence)) == []


def test_reading_and_settling_in_one_go_is_the_same(evidence: Evidence) -> None:
    assert list(differing(gathered(inputs()), evidence)) == []


def test_what_is_rejected_by_hand_changes_the_clock_and_is_told(
    reading: Reading, evidence: Evidence
) -> None:
    """Half of the anchors tie the other half of the run less well, and those of their values."""
    changed = evidence_of(reading, without_first(evidence, "controller", 1000))
    anchors = changed.anchors["controller"]
    assert int((anchors.reason == Reason.REJECTED).sum()) == 1000
    assert changed.clocks["controller"].pieces != evidence.clocks["controller"].pieces
    assert changed.clocks["broker"].pieces != evidence.clocks["broker"].pieces


def test_a_run_whose_axis_is_the_log_ties_the_capture_to_it(
    evidence: Evidence, tmp_path: Path
) -> None:
    bench = (DEMO / "bench.toml").read_text("utf-8")
    for path in DEMO.iterdir():
        (tmp_path / path.name).symlink_to(path)
    (tmp_path / "bench.toml").unlink()
    stated = bench.replace("[bench]\n", '[bench]\naxis = "controller"\n', 1)
    (tmp_path / "bench.toml").write_text(stated, "utf-8")
    found = gathered(settled([str(tmp_path / "bench.toml")], Overrides()))
    (there,), (here,) = found.clocks["wire"].pieces, evidence.clocks["controller"].pieces
    anchors = found.anchors["wire"]
    both_ways = (1 + there.drift_ppm * 1e-6) * (1 + here.drift_ppm * 1e-6)
    assert there.method == "equal-values"
    assert there.anchors == 2043
    assert abs(both_ways - 1) < 1e-6
    assert (anchors.own_row == NO_ROW).all()
    assert (anchors.other_row != NO_ROW).all()

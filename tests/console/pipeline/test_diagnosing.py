"""From the evidence of a run to the scene around each episode."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.make import files
from captures_demo.simulator.writers.files import write
from console.bench.model import Bench
from console.diagnosis.scene import Scene
from console.pipeline.diagnosing import peripherals_of, wire_between
from console.pipeline.evidence import Evidence
from console.pipeline.inputs import Overrides, settled
from console.pipeline.reading import read_all
from console.pipeline.settling import evidence_of
from console.pipeline.telling import episodes_table
from decoders.buses.i2c import I2cDecoder
from decoders.captures.edges import Edges
from tests.console.pipeline.scenes import scenes_of

DEMO = Path(__file__).resolve().parents[3] / "captures_demo" / "cap_line"
Run = tuple[Bench, Evidence]


def read(folder: Path, *clock: str) -> Run:
    inputs = settled([str(folder / "bench.toml")], Overrides(clock=list(clock)))
    return inputs.bench, evidence_of(read_all(inputs, keep_edges=True))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cap_line")
    for name, pieces in files(SHORT).items():
        write(folder / name, pieces)
    for name in ("bench.toml", "camera.packets.toml"):
        shutil.copy(DEMO / name, folder)
    return folder


@pytest.fixture(scope="module")
def run(folder: Path) -> Run:
    """A short run of the demo's bench: 40 polls answered, 3 missed, 8 dead."""
    return read(folder)


def only_scene(run: Run) -> Scene:
    bench, evidence = run
    (scene,) = scenes_of(evidence, bench)
    return scene


def test_episodes_are_the_lives_that_findings_tell(run: Run) -> None:
    bench, evidence = run
    camera, hopper = sorted(peripherals_of(evidence, bench).episodes, key=lambda life: life.device)
    (told,) = (
        f.evidence
        for f in evidence.findings
        if (f.rule, f.severity) == ("stops-answering", "fault")
    )
    assert (camera.device, camera.failed, camera.how) == ("camera", True, told["how"])
    assert camera.first_bad_ns == told["first_bad_ns"]
    assert camera.polls_answered == told["polls_answered"] == 40
    assert (hopper.device, hopper.failed) == ("hopper", False)


def test_table_says_of_failures_alone_what_was_different(run: Run) -> None:
    bench, evidence = run
    table = episodes_table(evidence, bench)
    assert table.select("device", "failed", "different").rows() == [
        ("camera", True, []),  # 40 polls are too few for anything to stand out
        ("hopper", False, None),
    ]


def test_scene_knows_its_sources_and_its_sample_period(run: Run) -> None:
    scene = only_scene(run)
    assert {each.name: each.kind for each in scene.sources} == {
        "wire": "capture",
        "controller": "prints",
        "broker": "messages",
    }
    assert scene.sample_ns == round(1e9 / SHORT.sample_rate_hz)
    assert scene.knows("capture", scene.start_ns, scene.episode.first_bad_ns)
    assert not scene.knows("network", scene.start_ns, scene.episode.first_bad_ns)


@pytest.mark.parametrize("shift", ["", "wire=+3600s"])
def test_levels_of_a_span_decode_to_its_transaction(folder: Path, shift: str) -> None:
    bench, evidence = read(folder, *([shift] if shift else []))
    (scene,) = scenes_of(evidence, bench)
    row = scene.table("transactions").row(20, named=True)
    levels = scene.levels(row["start_ns"] - 20_000, row["end_ns"] + 20_000)
    assert levels is not None
    words = (levels.scl.astype(np.uint8) | (levels.sda.astype(np.uint8) << 1)).astype(np.uint8)
    edges = Edges(levels.t_ns, words, begins=True, until_ns=levels.until_ns)
    decoder = I2cDecoder(0, 1)
    given = [decoder.feed(edges)[0], decoder.finish()[0]]
    (found,) = (rows for rows in given if len(rows))
    assert row["start_ns"] in found.start_ns.tolist()
    assert row["data"] == found.data.tobytes().hex()


def test_no_levels_where_they_were_not_kept(run: Run, folder: Path) -> None:
    inputs = settled([str(folder / "bench.toml")], Overrides())
    (scene,) = scenes_of(evidence_of(read_all(inputs)), inputs.bench)
    assert scene.levels(scene.start_ns, scene.end_ns) is None
    assert wire_between(run[1], "wire", "no such bus", 0, 1) is None


def test_levels_hold_only_rows_where_the_bus_changed(run: Run) -> None:
    scene = only_scene(run)
    levels = scene.levels(scene.start_ns, scene.end_ns)
    assert levels is not None
    both = levels.scl.astype(int) * 2 + levels.sda
    assert (np.diff(both) != 0).all()
    assert (np.diff(levels.t_ns) >= 0).all()


def test_rows_without_a_time_are_no_part_of_a_scene(run: Run) -> None:
    bench, evidence = run
    prints = evidence.tables["prints"]
    lost = prints.head(3).with_columns(t_ns=pl.lit(None, pl.Int64))
    tables = {**evidence.tables, "prints": pl.concat([prints, lost])}
    (scene,) = scenes_of(replace(evidence, tables=tables), bench)
    assert scene.table("prints").height == prints.height

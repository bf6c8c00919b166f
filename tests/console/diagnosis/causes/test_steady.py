"""Parties of which the log complains to its end."""

from __future__ import annotations

import polars as pl
import pytest

from console.bench.tables import TABLES
from console.diagnosis.causes.steady import lasting_complaint
from console.diagnosis.episode import whole_run
from console.diagnosis.scene import Scene, SceneSource

S = 1_000_000_000


def scene_of(texts: list[str], *devices: str) -> Scene:
    """A log with a line a second."""
    made = {"t_ns": [k * S for k in range(len(texts))], "text": texts}
    prints = pl.DataFrame(made | {"source": ["controller"] * len(texts)})
    missing = [
        pl.lit(None, dtype).alias(name)
        for name, dtype in TABLES["prints"].items()
        if name not in prints.columns
    ]
    end_ns = len(texts) * S
    tables = {"prints": prints.with_columns(missing).select(list(TABLES["prints"]))}
    sources = [SceneSource("controller", "prints", end_ns)]
    return Scene(whole_run(0, end_ns), tables, 0, end_ns, sources, devices=devices)


@pytest.mark.parametrize("said", ["[i2c] scale {}", "i2c: scale {}", "scale: {}", "read scale {}"])
def test_party_is_who_is_spoken_of_and_not_the_bus(said: str) -> None:
    texts = [said.format(k) for k in range(12)] + [said.format("timeout")] * 6
    assert lasting_complaint(scene_of(texts)) == ("scale", 12 * S)


def test_device_of_a_captured_bus_is_left_to_its_wire() -> None:
    texts = [f"[i2c] torque {k}" for k in range(12)] + ["[i2c] torque err -1"] * 6
    assert lasting_complaint(scene_of(texts, "torque")) == ("", None)

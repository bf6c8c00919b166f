"""From the evidence of a run to its lives."""

from __future__ import annotations

from pathlib import Path

import pytest

from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.make import files
from captures_demo.simulator.writers.files import write
from console.pipeline.comparing import RunLives, lives_in
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> RunLives:
    """The short cap line without a bench file."""
    folder: Path = tmp_path_factory.mktemp("short")
    for name, pieces in files(SHORT).items():
        write(folder / name, pieces)
    inputs = settled([str(folder / "wire.csv.gz"), str(folder / "broker.jsonl.gz")], Overrides())
    return lives_in(gathered(inputs), inputs.bench, "monday")


def test_every_peripheral_has_its_life_also_one_that_did_not_fail(short: RunLives) -> None:
    assert {(each.device, each.ended) for each in short.lives} == {
        ("0x2E on i2c", "failed"),
        ("0x29 on i2c", "censored"),
    }


def test_polls_are_those_that_the_rule_counts(short: RunLives) -> None:
    (camera,) = (each for each in short.lives if each.failed)
    assert (camera.run, camera.counts["polls"]) == ("monday", SHORT.answers)


def test_each_has_its_habits(short: RunLives) -> None:
    assert [each.device for each in short.habits] == ["0x29 on i2c", "0x2E on i2c"]


def test_a_source_is_no_measure_of_a_life_that_it_did_not_see_whole(short: RunLives) -> None:
    # the broker was away for 3.5 s of some 45 s
    assert [each.watched for each in short.habits] == [{"wire": "capture"}] * 2


def test_messages_on_the_axis_are_counted_too(short: RunLives) -> None:
    (camera,) = (each for each in short.lives if each.failed)
    assert camera.counts["messages on capline/cam/blocks"] > 30

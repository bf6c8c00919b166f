"""Precursors planted in the bit-accurate bench, found again through files and pipeline."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from captures_demo.simulator.cap_line import HOPPER, CapLine
from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.manners import HoldsClock
from captures_demo.simulator.run import Run
from captures_demo.simulator.schedule import Program
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from captures_demo.simulator.writers.files import write
from console.diagnosis.before.difference import Differences
from console.diagnosis.before.looking import differences
from console.diagnosis.scene import Scene
from console.pipeline.inputs import Overrides, settled
from console.pipeline.reading import read_all
from console.pipeline.settling import evidence_of
from tests.console.pipeline.scenes import scenes_of

DEMO = Path(__file__).resolve().parents[4] / "captures_demo" / "cap_line"
MS, US = 1_000_000, 1_000
PLAN = replace(SHORT, answers=640, polls_after=10)


class Pranked(CapLine):
    """The cap line, and what somebody does around the camera's last reply."""

    def __init__(self, prank: Callable[[Pranked], Program[None]]) -> None:
        super().__init__(PLAN)
        self.schedule.start(prank(self))

    def until_reply(self, number: int) -> Program[None]:
        """Wait until the camera has given so many replies, looking every 5 ms."""
        while self.camera.sequence < number:
            yield 5 * MS


def prints(line: Pranked) -> Program[None]:
    yield from line.until_reply(PLAN.answers)
    yield 200 * MS
    line.board.print("W", "camera: fifo level 31 above mark")


def writes(line: Pranked) -> Program[None]:
    yield from line.until_reply(PLAN.answers)
    yield 300 * MS
    yield line.lock
    yield from line.controller.write(HOPPER, b"\x3b\x00")
    line.lock.release()


def stretches(line: Pranked) -> Program[None]:
    yield from line.until_reply(PLAN.answers - 1)
    line.camera.manner = HoldsClock(900 * US, after=3)


def nothing(line: Pranked) -> Program[None]:
    yield MS


def scene_of(run: Run, folder: Path) -> Scene:
    """The camera's failure, as read from the files of a run."""
    write(folder / "wire.csv.gz", delimited(run.recorded(), LAYOUTS["sample numbers"]))
    write(folder / "controller.log", [run.serial_bytes()])
    write(folder / "broker.jsonl.gz", [run.messages_jsonl()])
    for name in ("bench.toml", "camera.packets.toml"):
        shutil.copy(DEMO / name, folder)
    inputs = settled([str(folder / "bench.toml")], Overrides())
    evidence = evidence_of(read_all(inputs, keep_edges=True))
    (scene,) = scenes_of(evidence, inputs.bench)
    return scene


def found(prank: Callable[[Pranked], Program[None]], folder: Path) -> Differences:
    return differences(scene_of(Pranked(prank).run(), folder))


@pytest.mark.parametrize(
    ("prank", "kind", "words"),
    [
        (prints, "prints", "controller printed “camera: fifo level 31 above mark”"),
        (writes, "neighbour", "after write of 3B to 0x29"),
        (stretches, "length", "write of A5 took 1.7"),
    ],
)
def test_what_was_done_to_the_bench_is_told_first(
    prank: Callable[[Pranked], Program[None]], kind: str, words: str, tmp_path: Path
) -> None:
    first = found(prank, tmp_path).ranked[0]
    assert first.kind == kind
    assert words in first.words


def test_bench_that_was_left_alone_has_nothing_unusual(tmp_path: Path) -> None:
    told = found(nothing, tmp_path)
    assert told.words == "nothing unusual, in 16 kinds of things looked at"
    assert told.not_observable == ["happenings: not observable here"]


def test_runt_clock_of_the_last_reply_is_the_shortest_of_all(tmp_path: Path) -> None:
    run = Pranked(nothing).run()
    t_ns, levels = run.trace.columns()
    last = [row for row in run.truth.transactions if row.address == 0x2E and row.read][-1]
    scl = levels >> run.trace.channels.index("scl") & 1
    falls = np.flatnonzero((scl[1:] == 0) & (scl[:-1] == 1)) + 1
    fall = falls[np.searchsorted(t_ns[falls], last.start_ns + 500 * US)]
    t_ns = t_ns.copy()
    t_ns[fall] -= 4 * US
    run.trace.replace(t_ns, levels)
    noticed = differences(scene_of(run, tmp_path)).noticed
    (runt,) = (one for one in noticed if one.kind == "pulses" and one.seen == 0)
    assert runt.words.startswith("shortest SCL high of read of")
    assert ": 1 us (usually 5 us)" in runt.words

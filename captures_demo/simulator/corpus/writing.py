"""A labelled run as a folder that can be checked: capture, serial log, messages, bench file."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

from captures_demo.simulator.corpus.bench_text import LOG, MESSAGES, wire_name, without
from captures_demo.simulator.corpus.labels import LabelledRun
from captures_demo.simulator.run import Run
from captures_demo.simulator.writers.delimited import LAYOUTS, delimited
from captures_demo.simulator.writers.files import write
from captures_demo.simulator.writers.vcd import vcd

SOURCES = frozenset({"capture", "prints", "messages"})


def write_labelled(
    labelled: LabelledRun,
    folder: Path,
    *,
    coarser: int = 1,
    without: Collection[str] = (),
) -> Path:
    """Write a run's evidence, never its label; the path of the bench file.

    Args:
        labelled: the run.
        folder: made when it is not there.
        coarser: samples are so many times further apart.
        without: kinds of sources to leave out: `capture`, `prints`, `messages`.

    Raises:
        ValueError: for an unknown kind of source, or one that leaves no source.
    """
    left_out = frozenset(without)
    if left_out - SOURCES or left_out == SOURCES:
        raise ValueError(f"cannot leave out {sorted(left_out)} of {sorted(SOURCES)}")
    folder.mkdir(parents=True, exist_ok=True)
    run = labelled.run
    if "capture" not in left_out:
        recorded = coarse(run, coarser).recorded()
        is_vcd = labelled.capture == "vcd"
        pieces = vcd(recorded) if is_vcd else delimited(recorded, LAYOUTS[labelled.capture])
        write(folder / wire_name(labelled.capture), pieces)
    if "prints" not in left_out:
        write(folder / LOG, [run.serial_bytes()])
    if "messages" not in left_out:
        write(folder / MESSAGES, [run.messages_jsonl()])
    path = folder / "bench.toml"
    path.write_text(_kept(labelled.bench_toml, left_out), encoding="utf-8")
    return path


def _kept(text: str, left_out: frozenset[str]) -> str:
    return without(text, left_out) if left_out else text


def coarse(run: Run, coarser: int) -> Run:
    """The same run, its samples further apart.

    Raises:
        ValueError: if the factor is below 1, or the capture is not sampled.
    """
    rate = run.instrument.sample_rate_hz
    if coarser < 1 or rate is None:
        raise ValueError(f"cannot sample {coarser} times as coarse")
    if coarser == 1:
        return run
    return replace(
        run, instrument=replace(run.instrument, sample_rate_hz=rate // coarser), _recorded=None
    )

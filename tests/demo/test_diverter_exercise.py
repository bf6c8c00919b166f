"""The exercise that is shipped, played against a made-up diverter."""

from __future__ import annotations

import json

import polars as pl
import pytest

from captures_demo.simulator.make import CAP_LINE
from console.bench.exercise import ExerciseFile
from console.bench.exercise_checks import read_exercise
from console.bench.load import read_bench
from console.pipeline.exercising import Exercise
from console.sources.sender import Publication

MS, START_NS = 1_000_000, 1_764_000_000_000_000_000


@pytest.fixture(scope="module")
def shipped() -> ExerciseFile:
    bench = read_bench(CAP_LINE / "live.bench.toml").bench
    return read_exercise(CAP_LINE / "diverter.exercise.toml", bench)


def answers(t_ns: int, command: dict[str, object]) -> dict[str, pl.DataFrame]:
    """What board and broker say of a command, in the words of the recording that is shipped."""
    n, gate = command["n"], command["gate"]
    texts = [f"divert: command {n} gate {gate}", f"divert: gate {gate} reached in 165 ms"]
    prints = [
        {"t_ns": t_ns + k * 165 * MS, "source": "controller", "text": text}
        for k, text in enumerate(texts)
    ]
    payload = json.dumps({"n": n, "command": n, "gate": gate, "ms": 165})
    said = {"topic": "capline/diverter/state", "payload": payload, "fields": payload}
    messages = [{"t_ns": t_ns + 168 * MS, "source": "broker", **said}]
    return {"prints": pl.DataFrame(prints), "messages": pl.DataFrame(messages)}


def played(file: ExerciseFile, lost: int) -> tuple[list[dict[str, object]], Exercise]:
    """The commands that were sent, one of which the diverter never got, and the end of it."""
    fold, commands, t_ns = Exercise(file, START_NS), list[dict[str, object]](), START_NS
    while not fold.is_over:
        doing = fold.at(t_ns)
        if doing.send is not None:
            assert isinstance(doing.send.what, Publication)
            commands.append(json.loads(doing.send.what.payload))
            fold.sent(doing.send.number, t_ns, t_ns + MS)
            if len(commands) != lost:
                fold.feed(answers(t_ns + 2 * MS, commands[-1]))
        t_ns += 50 * MS
    return commands, fold


def test_a_diverter_that_answers_passes_to_the_end(shipped: ExerciseFile) -> None:
    commands, fold = played(shipped, lost=0)
    assert commands == [{"n": n, "gate": g} for n in range(1, 11) for g in ("right", "left")]
    assert fold.end == "done: 81 steps done, 0 missed"


def test_one_lost_command_is_missed_and_the_others_are_not(shipped: ExerciseFile) -> None:
    commands, fold = played(shipped, lost=4)
    assert (len(commands), fold.end) == (20, "done: 80 steps done, 1 missed")

"""Made-up exercises of the cap line, and rows of what came."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from console.bench.exercise import ExerciseFile
from console.bench.exercise_checks import load_exercise
from console.bench.load import load_bench
from console.pipeline.exercising import Doing, Exercise

MS, S = 1_000_000, 1_000_000_000
START_NS = 1_764_000_000 * S

BENCH = load_bench(
    """
[bench]
name = "cap line"
[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyCAP0"
[[source]]
name = "broker"
kind = "messages"
host = "broker.capline.example"
""",
    "bench.toml",
)

PUBLISH = """
kind = "publish"
source = "broker"
topic = "capline/diverter/command"
payload = { n = 1, gate = "left" }
"""
STATE = """
kind = "expect"
event = "message"
where = "topic = 'capline/diverter/state'"
within = "2 s"
"""
REACHED = """
kind = "expect"
event = "print"
source = "controller"
where = "text LIKE 'gate%'"
within = "1 s"
"""
QUIET = """
kind = "expect"
event = "silence"
of = "message"
where = "topic = 'capline/alarm'"
within = "3 s"
"""
WAIT = 'kind = "wait"\nfor = "10 s"\n'


def exercise(*steps: str, on_failure: str = "stop") -> ExerciseFile:
    text = f'[exercise]\nname = "both ways"\non_failure = "{on_failure}"\n'
    return load_exercise(text + "".join(f"[[step]]\n{s}\n" for s in steps), "e.toml", BENCH)


def repeated(times: int, *steps: str) -> str:
    return f'kind = "repeat"\ntimes = {times}\n' + "".join(f"[[step.step]]\n{s}\n" for s in steps)


def message(t_ns: int, topic: str, payload: str = "{}") -> dict[str, pl.DataFrame]:
    row = {"t_ns": t_ns, "source": "broker", "topic": topic, "payload": payload, "fields": payload}
    return {"messages": pl.DataFrame([row])}


def state(t_ns: int, payload: str = "{}") -> dict[str, pl.DataFrame]:
    return message(t_ns, "capline/diverter/state", payload)


def printed(t_ns: int, text: str) -> dict[str, pl.DataFrame]:
    return {"prints": pl.DataFrame([{"t_ns": t_ns, "source": "controller", "text": text}])}


class Played:
    """An exercise that is played by hand."""

    def __init__(self, *steps: str, on_failure: str = "stop") -> None:
        self.exercise = Exercise(exercise(*steps, on_failure=on_failure), START_NS)
        self.notes: list[str] = []
        self.sent: list[Any] = []
        self.evidence: list[Mapping[str, Any]] = []

    def at(self, ms: float) -> Doing:
        """Look at a time after the start."""
        doing = self.exercise.at(START_NS + round(ms * MS))
        self.notes += doing.notes
        self.evidence += [finding.evidence for finding in doing.findings]
        if doing.send is not None:
            self.sent.append(doing.send.what)
        return doing

    def went(self, ms: float, trouble: str = "") -> None:
        """The last sending went at a time after the start."""
        t_ns = START_NS + round(ms * MS)
        self.exercise.sent(len(self.sent), t_ns, t_ns, trouble)

    def feed(self, rows: Mapping[str, pl.DataFrame]) -> None:
        self.exercise.feed(rows)


def ns(ms: float) -> int:
    """A time after the start."""
    return START_NS + round(ms * MS)

"""What the tests look at: the simulator's own lines and notes, never through the decoders."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from captures_demo.simulator.corpus import HEALTHY, CauseTruth, LabelledRun, labelled
from captures_demo.simulator.corpus.sessions import BROKER_LOG
from captures_demo.simulator.ledger import TransactionTruth
from captures_demo.simulator.run import MessageRow, PrintTruth

MILLI = 1_000_000
SECOND = 1_000_000_000
FOREVER = 2**62


# What grows from the start of the run: the twin differs before anything is wrong.
GRADUAL = {"stretch-creep", "nack-hammer"}


@lru_cache(maxsize=12)
def run_of(cause: str, variant: int = 0, *, healthy: bool = False) -> Seen:
    return Seen(labelled(cause, variant, healthy=healthy))


def pair(cause: str, variant: int = 0) -> tuple[Seen, Seen]:
    """A run and its healthy twin, which are one up to what goes wrong: asserted here."""
    run, twin = run_of(cause, variant), run_of(cause, variant, healthy=True)
    assert_labelled(cause, run, twin)
    return run, twin


def assert_labelled(cause: str, run: Seen, twin: Seen) -> None:
    """The label, the twin, and that no evidence gives the label away."""
    assert run.label.cause == cause
    assert 0 < run.wrong_ns < run.run.end_ns < 60 * SECOND
    assert twin.label == CauseTruth(HEALTHY, "", -1)
    assert twin.truth.faults == []
    assert twin.labelled.bench_toml == run.labelled.bench_toml
    until_ns = 0 if cause in GRADUAL else run.wrong_ns
    assert run.ended_before(until_ns) == twin.ended_before(until_ns)
    assert run.recorded_before(until_ns) == twin.recorded_before(until_ns)
    answered = [row for row in twin.reads(run.wrong_ns) if row.address_acked]
    assert len(answered) >= 20  # so many polls of the twin are later than what goes wrong
    said = run.run.serial_bytes() + run.run.messages_jsonl() + run.labelled.bench_toml.encode()
    assert cause.encode() not in said


@dataclass(frozen=True, slots=True)
class Pulse:
    start_ns: int
    width_ns: int

    @property
    def end_ns(self) -> int:
        return self.start_ns + self.width_ns


class Seen:
    """One run, with what is asked of it again and again."""

    def __init__(self, labelled_run: LabelledRun) -> None:
        self.labelled = labelled_run
        self.run = labelled_run.run
        self.truth = labelled_run.run.truth
        self.label = labelled_run.truth
        self.wrong_ns = labelled_run.truth.first_wrong_ns
        self.bench: dict[str, Any] = tomllib.loads(labelled_run.bench_toml)
        self.t_ns, self.words = self.run.trace.columns()

    @property
    def part(self) -> dict[str, Any]:
        """The device that fails: the first of the bench file."""
        device: dict[str, Any] = self.bench["device"][0]
        return device

    @property
    def address(self) -> int:
        return int(self.part["address"])

    def of_part(self, from_ns: int = 0, until_ns: int = FOREVER) -> list[TransactionTruth]:
        return [row for row in self.rows(from_ns, until_ns) if row.address == self.address]

    def reads(self, from_ns: int = 0, until_ns: int = FOREVER) -> list[TransactionTruth]:
        return [row for row in self.of_part(from_ns, until_ns) if row.read]

    def rows(self, from_ns: int = 0, until_ns: int = FOREVER) -> list[TransactionTruth]:
        return [row for row in self.truth.transactions if from_ns <= row.start_ns < until_ns]

    def prints(self, word: str, from_ns: int = 0, until_ns: int = FOREVER) -> list[PrintTruth]:
        return [
            line
            for line in self.truth.prints
            if from_ns <= line.t_ns < until_ns and word in line.text
        ]

    def level(self, line: str, at_ns: int) -> bool:
        """Whether a line is high at a true time."""
        at = int(np.searchsorted(self.t_ns, at_ns, side="right"))
        return at == 0 or bool(self.words[at - 1] >> self.run.trace.channels.index(line) & 1)

    def at_end(self) -> str:
        """SDA and SCL at the end, as `H/L`."""
        sda, scl = (self.level(line, self.run.end_ns) for line in ("sda", "scl"))
        return f"{'LH'[sda]}/{'LH'[scl]}"

    def changes(self, line: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
        """Times of a line's edges and the level after each."""
        bits = self.words >> self.run.trace.channels.index(line) & 1
        moved = np.flatnonzero(np.diff(bits, prepend=1))
        return self.t_ns[moved], bits[moved].astype(bool)

    def pulses(
        self, line: str, *, high: bool, from_ns: int = 0, until_ns: int = FOREVER
    ) -> list[Pulse]:
        """Whole pulses of a line that begin in a span."""
        t_ns, levels = self.changes(line)
        first = np.flatnonzero(
            (levels[:-1] == high) & (t_ns[:-1] >= from_ns) & (t_ns[:-1] < until_ns)
        )
        return [Pulse(int(t_ns[k]), int(t_ns[k + 1] - t_ns[k])) for k in first]

    def edges_after(self, from_ns: int) -> int:
        """How many edges of SCL and SDA there are from then on."""
        return sum(int((self.changes(line)[0] > from_ns).sum()) for line in ("scl", "sda"))

    def broker_log(self, event: str = "") -> list[tuple[float, dict[str, Any]]]:
        """The broker's own lines: seconds of the host's clock, and members."""
        found = [
            (row.t_us / 1e6, json.loads(row.payload))
            for row in self.run.message_rows
            if row.topic == BROKER_LOG
        ]
        return [(at_s, said) for at_s, said in found if not event or said["event"] == event]

    def numbers_missing(self, topic: str) -> list[int]:
        """Of the counts `n` of a topic, those the broker never got up to the last it got."""
        got = {
            json.loads(row.payload)["n"]
            for row in self.run.message_rows
            if row.topic == topic and row.direction != "from-broker"
        }
        return [n for n in range(1, max(got, default=0)) if n not in got]

    def ended_before(self, until_ns: int) -> list[TransactionTruth]:
        return [row for row in self.truth.transactions if 0 <= row.end_ns < until_ns]

    def recorded_before(self, until_ns: int) -> list[MessageRow]:
        until_us = self.run.host.read(until_ns) // 1_000
        return [row for row in self.run.message_rows if row.t_us < until_us]

    @property
    def topic(self) -> str:
        return f"capline/{self.part['name']}/state"

    def median_high_ns(self) -> float:
        """Of SCL, over the whole run."""
        return float(np.median([pulse.width_ns for pulse in self.pulses("scl", high=True)]))


def bits(row: TransactionTruth) -> int:
    """Clocks of a transaction modulo 9: 0 is a whole byte, 8 before its acknowledge."""
    return len(row.bits) % 9

"""Kill -9 at random moments: what was put 250 ms before it is there, and the run opens clean."""

from __future__ import annotations

import random
import time
from collections import defaultdict
from pathlib import Path

import pytest

from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Chunk
from tests.console.run.making import START_NS, child, killed
from tests.console.run.recorder import record_of

PROMISED_NS = 250_000_000


@pytest.mark.parametrize("seed", range(20))
def test_all_but_the_last_quarter_second_survives_a_kill(tmp_path: Path, seed: int) -> None:
    process = child("recorder", str(tmp_path), str(seed))
    assert process.stdout is not None
    first = process.stdout.readline()  # it records
    time.sleep(random.Random(seed).uniform(0.05, 1.2))
    killed_ns = time.monotonic_ns()
    told = [line.split() for line in (first, *killed(process))]
    due: dict[str, int] = defaultdict(int)
    for source, index, put_ns in told:
        if int(put_ns) < killed_ns - PROMISED_NS:
            due[source] = int(index) + 1

    with StoredRun(tmp_path, full=True) as run:
        assert run.problems == ()
        for source in ("controller", "broker"):
            found = list(run.records(source)) if source in names(run) else []
            assert len(found) >= due[source]
            assert found == [record_of(source, index) for index in range(len(found))]
        assert [session.ended_ns for session in run.sessions()] == [None]
        before = run.last_seq()

    with RunWriter(tmp_path, append=True) as writer:  # the lock died with the process
        writer.put(Chunk("later", START_NS, b"x"))
    with StoredRun(tmp_path, full=True) as run:
        assert run.problems == ()
        assert list(run.records_after(before)) == [(before + 1, Chunk("later", START_NS, b"x"))]


def names(run: StoredRun) -> list[str]:
    return [source.name for source in run.sources()]

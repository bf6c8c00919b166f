"""Records for tests: what any source might give, odd text and stamps included."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import get_args

from hypothesis import strategies as st

from console.run.schema import BUCKET_NS, DATABASE
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Happened, Happening, HostClock, Record

ROOT = Path(__file__).resolve().parents[3]
SECOND_NS = 1_000_000_000
HOUR_NS = 3600 * SECOND_NS
FARTHEST_NS = (1 << 63) - BUCKET_NS
START_NS = 1_789_999_200 * SECOND_NS  # a full hour

# Text from outside may hold anything, lone surrogates of odd paths included.
TEXT = st.text(st.characters(), max_size=8)
NAMES = st.sampled_from(["controller", "broker", "hopper é", "odd \udcff"])
# Close together, hours apart, equal, going back; and what no clock gives.
STAMPS = st.one_of(
    st.integers(0, 3).map(lambda k: START_NS + k),
    st.integers(0, 5 * 3600).map(lambda s: START_NS + s * SECOND_NS),
    st.integers(-FARTHEST_NS, FARTHEST_NS),
)
RECORDS: st.SearchStrategy[Record] = st.one_of(
    st.builds(Chunk, NAMES, STAMPS, st.binary(max_size=40)),
    st.builds(
        Arrived,
        NAMES,
        STAMPS,
        TEXT,
        st.binary(max_size=40),
        st.integers(0, 2),
        st.booleans(),
        st.booleans(),
        st.dictionaries(TEXT, TEXT, max_size=3),
    ),
    st.builds(Happened, NAMES, STAMPS, st.sampled_from(get_args(Happening)), TEXT),
)


class Hands:
    """A clock that shows what it is set to."""

    def __init__(self, now_ns: int = START_NS) -> None:
        self.now_ns = now_ns

    def clock(self) -> HostClock:
        return HostClock(lambda: self.now_ns, lambda: self.now_ns)


def lines(count: int, source: str = "controller", every_ns: int = 1000) -> list[Chunk]:
    """Lines of a port, one after another."""
    return [
        Chunk(source, START_NS + k * every_ns, b"[%d] level %d mm\n" % (k, k * 37 % 411))
        for k in range(count)
    ]


def by_time(records: Iterable[Record]) -> list[Record]:
    """As a run gives them: by stamp, and as they were put where stamps are equal."""
    return sorted(records, key=lambda record: record.t_ns)


def child(module: str, *arguments: str) -> subprocess.Popen[str]:
    """A process of `tests.console.run.MODULE`, its output to be read."""
    return subprocess.Popen(
        [sys.executable, "-m", f"tests.console.run.{module}", *arguments],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )


def killed(process: subprocess.Popen[str]) -> list[str]:
    """The whole lines it has printed until it was killed here and now."""
    os.kill(process.pid, signal.SIGKILL)
    rest, _ = process.communicate()
    return [line for line in rest.splitlines(keepends=True) if line.endswith("\n")]


def stored(folder: Path, *groups: Sequence[Record]) -> list[Record]:
    """Record groups, a commit each."""
    with RunWriter(folder, append=True, durable=False) as writer:
        for group in groups:
            for record in group:
                writer.put(record)
            writer.flush()
    return [record for group in groups for record in group]


def mixed(count: int) -> list[Record]:
    return [
        Chunk("controller", START_NS + k * 1000, b"%d" % k)
        if k % 3
        else Arrived("broker", START_NS + k * 1000, "cap/x", b"%d" % k)
        for k in range(count)
    ]


def altered(folder: Path, query: str) -> None:
    connection = sqlite3.connect(folder / DATABASE)
    connection.execute(query)
    connection.commit()
    connection.close()

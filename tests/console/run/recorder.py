"""A recorder that is killed: says what it put, and when, until then.

Two sources put from threads of their own. Stamps run a minute for each record, so that hours go by
and small blocks are joined all the while. A line says `source index monotonic-ns` after each put.
"""

from __future__ import annotations

import os
import random
import sys
import threading
import time

from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Record
from tests.console.run.making import START_NS

MINUTE_NS = 60_000_000_000


def record_of(source: str, index: int) -> Record:
    """What a source puts as its nth."""
    t_ns = START_NS + index * MINUTE_NS
    if source == "controller":
        return Chunk(source, t_ns, b"[%d] level\n" % index)
    return Arrived(source, t_ns, f"cap/{index % 7}", b'{"n": %d}' % index, properties={"i": "x"})


def record_until_killed(folder: str, seed: str) -> None:
    """Never returns."""
    writer = RunWriter(folder, append=True)

    def source(name: str) -> None:
        chance = random.Random(seed + name)
        for index in range(10**9):
            put_ns = time.monotonic_ns()
            writer.put(record_of(name, index))
            os.write(1, f"{name} {index} {put_ns}\n".encode())
            time.sleep(chance.choice((0.0, 0.0001, 0.001, 0.01)))

    for name in ("controller", "broker"):
        threading.Thread(target=source, args=(name,)).start()


if __name__ == "__main__":
    record_until_killed(*sys.argv[1:])

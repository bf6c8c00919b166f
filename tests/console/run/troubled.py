"""A recorder in trouble, in a process of its own: its limits, user and folder are its own too.

Prints what it was told, and in the end how many records it put.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import time
from pathlib import Path

from console.run.schema import DATABASE
from console.run.writer import RunWriter
from decoders.errors import DiagnosticError
from tests.console.run.making import lines

NOBODY = 65534
RECORDS = 20_000


def say(*words: object) -> None:
    """One line to whoever tests this."""
    os.write(1, (" ".join(map(str, words)) + "\n").encode())  # whole, from whichever thread


def told(trouble: DiagnosticError | None) -> None:
    """Say what the store tells."""
    say("told", "mended" if trouble is None else trouble.message)


def wait_for_trouble(writer: RunWriter) -> None:
    """Return when there is some; it must come within 10 s."""
    until = time.monotonic() + 10.0
    while writer.state().trouble is None and time.monotonic() < until:
        time.sleep(0.01)


def no_room_for_files(folder: Path, limit_bytes: int) -> None:
    """No file may grow (setrlimit(2), RLIMIT_FSIZE) until later it may again."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    with RunWriter(folder, told=told, limit_bytes=limit_bytes) as writer:
        records = lines(RECORDS)
        for record in records[:1000]:
            writer.put(record)
        writer.flush()
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        log = folder / f"{DATABASE}-wal"
        resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size + 4096, hard))
        for record in records[1000:2000]:
            writer.put(record)
        wait_for_trouble(writer)
        for record in records[2000:]:
            writer.put(record)
        say("lost", writer.state().lost)
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        writer.flush()


def no_room_to_the_end(folder: Path, limit_bytes: int) -> None:
    """As above, and closed before there is room."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    writer = RunWriter(folder, told=told, limit_bytes=limit_bytes)
    writer.put(lines(1)[0])
    writer.flush()
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    for record in lines(50):
        writer.put(record)
    try:
        writer.close(timeout_s=1.0)
    except DiagnosticError as error:
        say("closed", error.message)


def no_permission(folder: Path, limit_bytes: int) -> None:
    """The folder is closed to its recorder for a while; it is not root, who may do everything."""
    if os.getuid() == 0:
        os.chown(folder, NOBODY, NOBODY)
        os.setgid(NOBODY)
        os.setuid(NOBODY)
    with RunWriter(folder, told=told, limit_bytes=limit_bytes) as writer:
        records = lines(300)
        for record in records[:100]:
            writer.put(record)
        writer.flush()
        folder.chmod(0)
        for record in records[100:200]:
            writer.put(record)
        wait_for_trouble(writer)
        folder.chmod(0o700)
        for record in records[200:]:
            writer.put(record)
        writer.flush()


if __name__ == "__main__":
    globals()[sys.argv[1]](Path(sys.argv[2]), int(sys.argv[3]))

"""The run store at full speed: `python -m tests.benchmarks.run_store [SECONDS]`.

Eight sources of 92 kB/s (921600 baud) in reads of 4 ms, each from a thread of its own, and 20,000
messages a second from another, all together, into one run. SHA-256 of what was put is compared with
what is read back, source by source. CPU share is that of this whole process over the sources'
threads making the same records for nobody; beside it stands writing and flushing to disk the same
bytes as one plain file.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from console.run.schema import DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, HostClock, Record
from tests.benchmarks.measure import table

PORTS, PORT_BYTES_S, READ_EVERY_S = 8, 92_160, 0.004
MESSAGES_S, MESSAGES_EVERY_S = 20_000, 0.002
_NOISE = os.urandom(1 << 20)
_PAYLOAD = b'{"board":"hopper","seq":%010d,"caps":%05d,"level_mm":411,"ok":true}'


@dataclass(slots=True)
class Sent:
    """What a source put."""

    name: str
    sha: hashlib._Hash = field(default_factory=hashlib.sha256)
    records: int = 0
    bytes: int = 0


def main() -> None:
    """Print the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as folder:
        idle_cpu = cpu_s(lambda: offered(seconds / 4, lambda record: None)) * 4
        lags: list[float] = []
        sent: list[Sent] = []
        cpu = cpu_s(lambda: sent.extend(recorded(Path(folder), seconds, lags)))
        plain_s = plain_file(Path(folder), sent, seconds)
        same: list[bool] = []
        read_s = cpu_s(
            lambda: same.extend(stored(Path(folder), one) == one.sha.hexdigest() for one in sent)
        )
        size = (Path(folder) / DATABASE).stat().st_size
    records, payload = sum(one.records for one in sent), sum(one.bytes for one in sent)
    print(
        table(
            [
                ["what", "figure"],
                ["records put", f"{records:,} ({records / seconds:,.0f}/s)"],
                ["bytes put", f"{payload:,} ({payload / seconds / 1e6:.2f} MB/s)"],
                ["SHA-256 the same, sources", f"{sum(same)} of {len(same)}"],
                ["lag: median, 99 in 100, most", of_lags(lags)],
                ["CPU share of the store", f"{100 * (cpu - idle_cpu) / seconds:.0f} % of one core"],
                ["  with the sources", f"{100 * cpu / seconds:.0f} %"],
                ["CPU beside a plain file's", f"x{(cpu - idle_cpu) / plain_s:.1f}"],
                ["file beside bytes put", f"x{size / payload:.2f}"],
                ["read back", f"{records / read_s:,.0f} records per CPU second"],
            ]
        )
    )


def of_lags(lags: list[float]) -> str:
    """How long records waited to be stored."""
    lags.sort()
    return ", ".join(f"{1e3 * lags[int(p * (len(lags) - 1))]:.0f}" for p in (0.5, 0.99, 1)) + " ms"


def cpu_s(work: Callable[[], object]) -> float:
    """Processor time of all threads while it runs."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def recorded(folder: Path, seconds: float, lags: list[float]) -> list[Sent]:
    """Record everything; `lags` gets what the store says of itself every 10 ms."""
    with RunWriter(folder) as writer:
        stop = threading.Event()

        def watch() -> None:
            while not stop.wait(0.01):
                lags.append(writer.lag_s)

        watcher = threading.Thread(target=watch)
        watcher.start()
        sent = offered(seconds, writer.put)
        stop.set()
        watcher.join()
        assert writer.state().lost == 0
    return sent


def offered(seconds: float, put: Callable[[Record], object]) -> list[Sent]:
    """Have every source put what it has for some seconds."""
    clock = HostClock()
    sent = [Sent(f"port {k}") for k in range(PORTS)] + [Sent("broker")]
    threads = [threading.Thread(target=port, args=(one, seconds, put, clock)) for one in sent[:-1]]
    threads.append(threading.Thread(target=broker, args=(sent[-1], seconds, put, clock)))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sent


def port(sent: Sent, seconds: float, put: Callable[[Record], object], clock: HostClock) -> None:
    """Put what a port gives, catching up when it was held up."""
    begin = time.monotonic()
    while (now := time.monotonic() - begin) < seconds:
        due = int(min(now, seconds) * PORT_BYTES_S) - sent.bytes
        at = sent.bytes * 7 % (len(_NOISE) - due)
        data = _NOISE[at : at + due]
        put(Chunk(sent.name, clock(), data))
        sent.sha.update(data)
        sent.bytes += due
        sent.records += 1
        time.sleep(READ_EVERY_S)


def broker(sent: Sent, seconds: float, put: Callable[[Record], object], clock: HostClock) -> None:
    """Put messages in bursts, as a network thread does."""
    begin = time.monotonic()
    while (now := time.monotonic() - begin) < seconds:
        for _ in range(int(min(now, seconds) * MESSAGES_S) - sent.records):
            payload = _PAYLOAD % (sent.records, sent.records % 99991)
            put(Arrived(sent.name, clock(), "line/hopper/caps", payload))
            sent.sha.update(payload)
            sent.bytes += len(payload)
            sent.records += 1
        time.sleep(MESSAGES_EVERY_S)


def stored(folder: Path, sent: Sent) -> str:
    """SHA-256 of what the run has of a source."""
    sha = hashlib.sha256()
    with StoredRun(folder) as run:
        for record in run.records(sent.name):
            sha.update(record.data if isinstance(record, Chunk) else payload_of(record))
    return sha.hexdigest()


def payload_of(record: Record) -> bytes:
    """Of a message."""
    return record.payload if isinstance(record, Arrived) else b""


def plain_file(folder: Path, sent: list[Sent], seconds: float) -> float:
    """Processor time to write the same bytes to one file, to disk as often as the store commits."""
    each = sum(one.bytes for one in sent) // int(seconds * 8)
    with (folder / "plain").open("wb") as file:

        def write() -> None:
            for _ in range(int(seconds * 8)):
                file.write(_NOISE[:each] if each <= len(_NOISE) else bytes(each))
                file.flush()
                os.fsync(file.fileno())

        return cpu_s(write)


if __name__ == "__main__":
    main()

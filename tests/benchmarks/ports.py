"""Eight pseudo-terminals at 921600 baud for a minute: bytes lost, processor time, lag of stamps.

Run as `python -m tests.benchmarks.ports [SECONDS]`. A process of its own writes to all of them what
such lines carry, 368 bytes every 4 ms each, and tells the SHA-256 of what it wrote. Then single
bytes are sent into silence; their lag is that of the stamp behind the moment before the write.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from hashlib import sha256

from console.bench.model import PrintsSource
from console.sources.port import PortSource
from console.sources.records import Chunk, HostClock
from tests.benchmarks.measure import table
from tests.console.sources.live import Pty, Records

PORTS, BAUD, TICK_S = 8, 921_600, 0.004
LONE_BYTES = 400


def send(masters: list[int], seconds: float) -> None:
    """Write to every port what its line carries, and print what was written, as digests."""
    noise = random.Random(1).randbytes(1 << 20)
    digests = [sha256() for _ in masters]
    begin, sent, wanted = time.monotonic(), 0, int(seconds * BAUD / 10)
    while sent < wanted:
        due = min(int((time.monotonic() - begin) * BAUD / 10), wanted)
        for k, (master, digest) in enumerate(zip(masters, digests, strict=True)):
            at = (sent + k * 77_777) % (1 << 19)
            block = noise[at : at + due - sent]
            digest.update(block)
            while block:
                block = block[os.write(master, block) :]
        sent = due
        time.sleep(TICK_S)
    print(wanted, *(digest.hexdigest() for digest in digests))


def opened(pty: Pty, records: Records) -> PortSource:
    source = PortSource(PrintsSource(name="board", port=pty.path, baud=BAUD))
    source.start(records.put, HostClock())
    records.wait_for("opened")
    return source


def minute(seconds: float) -> None:
    """All ports at once."""
    ptys, records = [Pty() for _ in range(PORTS)], [Records() for _ in range(PORTS)]
    sources = [opened(pty, kept) for pty, kept in zip(ptys, records, strict=True)]
    masters = [pty.master for pty in ptys]
    command = [sys.executable, "-m", "tests.benchmarks.ports", "send", str(seconds)]
    begin, used = time.monotonic(), time.process_time()
    run = subprocess.run(
        [*command, *map(str, masters)], pass_fds=masters, check=True, capture_output=True, text=True
    )
    took, used = time.monotonic() - begin, time.process_time() - used
    for source in sources:
        source.stop()
    wanted, *digests = run.stdout.split()
    got = [kept.data() for kept in records]
    same = sum(
        sha256(data).hexdigest() == digest for data, digest in zip(got, digests, strict=True)
    )
    chunks = sum(source.state().records for source in sources)
    for pty in ptys:
        pty.unplug()
    head = ("ports", "seconds", "bytes each", "SHA-256 equal", "of a core", "chunks/s and port")
    row = (PORTS, f"{took:.0f}", f"{int(wanted):,}", f"{same} of {PORTS}", f"{used / took:.0%}")
    print(table([head, (*row, f"{chunks / took / PORTS:.0f}")]))


def lag() -> None:
    """Single bytes after silences of 10 to 30 ms."""
    pty, records, dice, lags = Pty(), Records(), random.Random(2), []
    clock = HostClock()
    source = PortSource(PrintsSource(name="board", port=pty.path, baud=BAUD))
    source.start(records.put, clock)
    records.wait_for("opened")
    sent = []
    for k in range(LONE_BYTES):
        time.sleep(dice.uniform(0.01, 0.03))
        sent.append(clock())
        pty.send(b"x")
        records.wait_for_bytes(k + 1)
    source.stop()
    pty.unplug()
    stamps = [record.t_ns for record in records.all if isinstance(record, Chunk)]
    lags = sorted(stamp - begin for stamp, begin in zip(stamps, sent, strict=True))
    row = [f"{lags[int(len(lags) * part)] / 1e3:.0f} us" for part in (0.5, 0.9, 0.99)]
    print(table([("lone bytes", "median lag", "90 %", "99 %"), (LONE_BYTES, *row)]))


def main() -> None:
    """Measure and print."""
    if sys.argv[1:2] == ["send"]:
        send([int(number) for number in sys.argv[3:]], float(sys.argv[2]))
        return
    minute(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
    lag()


if __name__ == "__main__":
    main()

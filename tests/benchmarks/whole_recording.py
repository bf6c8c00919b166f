"""Eight ports and a broker through one recording: `python -m tests.benchmarks.whole_recording [S]`.

Two processes of their own send: lines at 921600 baud to each of eight pseudo-terminals, and 20,000
messages a second through a compiled broker. `Recording` stores them and watches its rules. The
SHA-256 of what was sent is compared with that of what the run holds. Exits with 1 if they differ.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from console.pipeline.recording import Recording
from console.run.stored import StoredRun
from console.sources.records import Arrived, Chunk
from tests.benchmarks.measure import table
from tests.console.sources.brokers import Iotcore, running
from tests.console.sources.live import Pty

PORTS, BAUD, RATE, TICK_S = 8, 921_600, 20_000, 0.004
WAIT_S = 20.0


def text(length: int) -> bytes:
    """So many bytes of such lines as a board prints."""
    lines = (
        b"[%10d] I hopper %d mm, poll %d in %d us\r\n" % (n * 977, n % 900, n, n * 37 % 5000)
        for n in range(length // 38 + 1)
    )
    return b"".join(lines)[:length]


def send(masters: Sequence[int], seconds: float) -> None:
    """Write to every port what its line carries, and print what was written, as digests."""
    wanted = int(seconds * BAUD / 10)
    said = text(wanted)
    begin, sent = time.monotonic(), 0
    while sent < wanted:
        due = min(int((time.monotonic() - begin) * BAUD / 10), wanted)
        for master in masters:
            block = said[sent:due]
            while block:
                block = block[os.write(master, block) :]
        sent = due
        time.sleep(TICK_S)
    print(hashlib.sha256(said).hexdigest(), f"{time.monotonic() - begin:.1f}")


def bench(ptys: Sequence[Pty], port: int) -> str:
    """The bench file."""
    rows = [
        f'[[source]]\nname = "board-{k}"\nkind = "prints"\nport = "{pty.path}"\nbaud = {BAUD}\n'
        for k, pty in enumerate(ptys)
    ]
    broker = f'[[source]]\nname = "broker"\nkind = "messages"\nhost = "127.0.0.1"\nport = {port}\n'
    rule = '[[rule]]\nkind = "cadence"\ntable = "prints"\nsilence = "2 s"\n'
    return "\n".join(['[bench]\nname = "cap line"\n', *rows, broker, rule])


def recorded(folder: Path, seconds: int) -> bool:
    """Run it, print figures; whether all of it is in the run."""
    ptys = [Pty() for _ in range(PORTS)]
    module, masters = __spec__.name, [pty.master for pty in ptys]
    with running(Iotcore()) as broker:
        path = folder / "bench.toml"
        path.write_text(bench(ptys, broker.port), "utf-8")
        recording = Recording(path, folder / "run")
        recording.start()
        wait_until(lambda: sum(s.state == "open" for s in recording.source_states()) == PORTS + 1)
        began_s, cpu_s = time.monotonic(), time.process_time()
        flood = ["-m", "tests.benchmarks.broker_flood", "send"]
        with (
            subprocess.Popen(
                [sys.executable, *flood, str(broker.port), str(RATE), str(seconds)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            ) as sender,
            subprocess.Popen(
                [sys.executable, "-m", module, "send", str(seconds), *map(str, masters)],
                pass_fds=masters, stdout=subprocess.PIPE, text=True,
            ) as writer,
        ):  # fmt: skip
            assert sender.stdout is not None
            assert writer.stdout is not None
            said, port_s = writer.stdout.readline().split()
            count, broker_s, told = sender.stdout.readline().split()
            wait_until(lambda: records_of(recording, "broker") >= int(count))
            took_s, cpu_s = time.monotonic() - began_s, time.process_time() - cpu_s
            sender.communicate("")
        recording.stop()
    for pty in ptys:
        pty.unplug()
    same, losses = stored(folder / "run", said, told)
    print(table([
        ("sending took: ports, broker", f"{port_s} s, {float(broker_s):.1f} s"),
        ("recorded after", f"{took_s:.1f} s"),
        ("of a core, sources, rules and store", f"{cpu_s / took_s:.0%}"),
        ("SHA-256 equal", f"{same} of {PORTS + 1} sources"),
        ("losses the recorder told of", losses),
    ]))  # fmt: skip
    return same == PORTS + 1


def stored(run: Path, said: str, told: str) -> tuple[int, int]:
    """Of how many sources the run holds what was sent, and losses it tells of."""
    with StoredRun(run) as found:
        digests = {source.name: hashlib.sha256() for source in found.sources()}
        for record in found.records():
            if isinstance(record, Chunk):
                digests[record.source].update(record.data)
            elif isinstance(record, Arrived):
                digests[record.source].update(record.payload)
        wanted = {name: told if name == "broker" else said for name in digests}
        same = sum(digest.hexdigest() == wanted[name] for name, digest in digests.items())
        return same, len(found.losses())


def records_of(recording: Recording, name: str) -> int:
    """Records a source gave so far."""
    return next(state.records for state in recording.source_states() if state.name == name)


def wait_until(ready: Callable[[], bool]) -> None:
    """Wait for it, some time."""
    until_s = time.monotonic() + WAIT_S
    while not ready() and time.monotonic() < until_s:
        time.sleep(0.05)


def main() -> int:
    """Send, or record; the exit code."""
    if sys.argv[1:2] == ["send"]:
        send([int(number) for number in sys.argv[3:]], float(sys.argv[2]))
        return 0
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as folder:
        return int(not recorded(Path(folder), seconds))


if __name__ == "__main__":
    sys.exit(main())

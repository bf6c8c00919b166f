"""A run of days with 50 events a second: `python -m tests.benchmarks.run_week [DAYS]`, else 7.

Time is compressed: six ports of 5 lines a second and a broker of 20 messages, stamped as they would
be, and committed by the stamps every 125 ms, as often as the recorder does (without waiting for the
disk). Says how large the file is, how memory runs (resident, by hours of the stamps), how long the
run takes to open, and what reading an hour of it and all of it takes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from console.run.schema import DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, HostClock, Record
from tests.benchmarks.measure import own_peak_bytes, peak_bytes, table

START_NS = 1_790_000_000_000_000_000
EVENT_NS, COMMIT_NS = 20_000_000, 125_000_000
HOUR_NS = 3_600_000_000_000
PORTS = 6


def main() -> None:
    """Record in this process, read in others of their own."""
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 7.0
    with tempfile.TemporaryDirectory() as folder:
        begin = time.perf_counter()
        resident = recorded(Path(folder), round(days * 24 * HOUR_NS))
        record_s = time.perf_counter() - begin
        events = round(days * 24 * HOUR_NS) // EVENT_NS
        size = (Path(folder) / DATABASE).stat().st_size
        begin = time.perf_counter()
        opened(folder)
        open_s = time.perf_counter() - begin
        begin = time.perf_counter()
        hour = read(folder, hour=round(days * 12))
        hour_s = time.perf_counter() - begin
        most = max(list(resident.values())[1:])
        print(
            table(
                [
                    ["what", "figure"],
                    ["events", f"{events:,} in {record_s:,.0f} s"],
                    ["file", f"{size / 1e6:,.0f} MB, {size / events:.0f} bytes an event"],
                    *(
                        [f"resident after {h} h", f"{resident[h] / 1e6:.1f} MB"]
                        for h in sorted({1, 2, len(resident) // 2, len(resident) - 1})
                        if h in resident
                    ),
                    [
                        "most after the first hour",
                        f"{most / 1e6:.1f} MB",
                    ],
                    ["opening, totals, ribbon", f"{open_s:.2f} s"],
                    [f"reading an hour ({hour:,} events)", f"{hour_s:.2f} s"],
                    ["peak of a process opening it", f"{peak('open', folder) / 1e6:.0f} MB"],
                    ["peak of a process reading all", f"{peak('all', folder) / 1e6:.0f} MB"],
                ]
            )
        )


def recorded(folder: Path, span_ns: int) -> dict[int, int]:
    """Record; resident bytes after each hour of the stamps."""
    now = [START_NS]
    clock = HostClock(lambda: now[0], lambda: now[0])
    resident: dict[int, int] = {}
    with RunWriter(folder, name="cap line", clock=clock, durable=False) as writer:
        commit_ns = hour_ns = START_NS
        for record in events(span_ns):
            now[0] = record.t_ns
            if record.t_ns >= commit_ns + COMMIT_NS:
                writer.flush()
                commit_ns = record.t_ns
            if record.t_ns >= hour_ns + HOUR_NS:
                hour_ns += HOUR_NS
                resident[(hour_ns - START_NS) // HOUR_NS] = resident_bytes()
            writer.put(record)
    return resident


def events(span_ns: int) -> Iterator[Record]:
    """30 lines and 20 messages a second."""
    for k in range(span_ns // EVENT_NS):
        t_ns = START_NS + k * EVENT_NS
        if k % 5 in (1, 3):
            text = b'{"board":"hopper","seq":%d,"caps":%d,"level_mm":%d}' % (
                k,
                k // 7,
                k * 37 % 411,
            )
            yield Arrived("broker", t_ns, f"line/{k % 4}/caps", text)
        else:
            text = b"[%10d] I level %d mm, caps %d, heap %d\r\n" % (
                k * 20, k * 37 % 411, k // 7, 41000 - k % 1000,
            )  # fmt: skip
            yield Chunk(f"port {k % PORTS}", t_ns, text)


def opened(folder: str) -> None:
    """What a console shows first."""
    with StoredRun(folder) as run:
        assert run.problems == ()
        assert run.sessions()
        assert run.sources()
        assert run.span_ns()
        assert run.counts().records.sum()


def read(folder: str, hour: int | None = None) -> int:
    """Records of an hour, or of the whole run, counted."""
    begin = None if hour is None else START_NS + hour * HOUR_NS
    end = None if begin is None else begin + HOUR_NS
    with StoredRun(folder) as run:
        return sum(1 for _ in run.records(None, begin, end))


def peak(what: str, folder: str) -> int:
    """Peak resident bytes of a fresh process that opens the run, or reads all of it."""
    return peak_bytes("tests.benchmarks.run_week", what, folder)


def resident_bytes() -> int:
    """Resident now (Linux: VmRSS of proc(5))."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return 1024 * int(status.partition("VmRSS:")[2].split()[0])


if __name__ == "__main__":
    if sys.argv[1:2] == ["open"]:
        opened(sys.argv[2])
        print(own_peak_bytes())
    elif sys.argv[1:2] == ["all"]:
        read(sys.argv[2])
        print(own_peak_bytes())
    else:
        main()

"""Days of recording: `python -m tests.benchmarks.live_week [DAYS] [STORED_DAYS] [LOOK_S]`.

Time is compressed. Fifty events a second (40 lines of a port, 10 messages) go through the rules and
into a run, asked every LOOK_S seconds of their time (1, as a recording does; a week takes hours
unless it is 20); every three hours the port is silent for five seconds. Resident memory is looked
at every hour. The console is opened on that run in a fresh process: until the newest line stands
on the screen, and until a moment in the middle of the run does. Then the same of a run stored
without rules. Either may be left out by 0.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from console.bench.load import read_bench
from console.pipeline.live import LiveFold
from console.pipeline.raising import News, Told
from console.run.bench_texts import texts_of
from console.run.schema import DATABASE
from console.run.stored import StoredRun
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Happened, HostClock, Record
from tests.benchmarks.measure import table

if TYPE_CHECKING:
    from console.app.run_view import RunView

S, HOUR_S, DAY_S = 1_000_000_000, 3600, 86_400
START_NS = 1_795_824_000 * S
LINES, MESSAGES = 40, 10  # a second
SILENT_EVERY_S, SILENT_S = 3 * HOUR_S, 5
FLUSH_EVERY_S = 60
LATE_NS = 50_000_000
BENCH = """
[bench]
name = "cap line"

[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyCAP0"
baud = 115200

[[source]]
name = "broker"
kind = "messages"
host = "localhost"

[[rule]]
kind = "cadence"
name = "polls"
table = "prints"
where = "text LIKE 'poll%'"
silence = "2 s"

[[rule]]
kind = "sequence"
name = "levels"
table = "messages"
where = "topic = 'cap/level'"
field = "fields.n"

[[rule]]
kind = "limits"
name = "level"
table = "messages"
field = "fields.level_mm"
min = 0
max = 500
"""


class Hands:
    """A clock that shows what it is set to."""

    def __init__(self) -> None:
        self.now_ns = START_NS

    def __call__(self) -> int:
        return self.now_ns


def second(k: int) -> Iterator[Record]:
    """What comes in the kth second."""
    begin = START_NS + k * S
    silent = k % SILENT_EVERY_S >= SILENT_EVERY_S - SILENT_S
    for n in range(0 if silent else LINES):
        t_ns = begin + n * S // LINES
        words = b"poll %d answered in %d us, level %d mm\r\n" % (k * LINES + n, n * 37, k % 400)
        yield Chunk("controller", t_ns, words)
    for n in range(MESSAGES):
        payload = b'{"n": %d, "level_mm": %d}' % (k * MESSAGES + n, k % 400)
        yield Arrived("broker", begin + n * S // MESSAGES, "cap/level", payload)


def main() -> None:
    """Print the tables."""
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    stored_days = float(sys.argv[2]) if len(sys.argv) > 2 else 7.0
    look_s = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    if days:
        with tempfile.TemporaryDirectory() as folder:
            figures = watched(Path(folder), days, look_s)
            print(table(figures), flush=True)
            print(table([("that run", "opened"), *opened(Path(folder) / "run")]), flush=True)
    if not stored_days:
        return
    with tempfile.TemporaryDirectory() as folder:
        run = stored(Path(folder), round(stored_days * DAY_S))
        print(table([("a stored run", f"of {stored_days:g} days"), *opened(run)]))


def bench_in(folder: Path) -> Path:
    """The bench file."""
    path = folder / "bench.toml"
    path.write_text(BENCH, "utf-8")
    return path


def watched(folder: Path, days: float, look_s: int) -> Sequence[tuple[object, object]]:
    """Record and watch; figures."""
    hands, bench = Hands(), bench_in(folder)
    began_s, seconds = time.process_time(), round(days * DAY_S)
    fold, news, raised = LiveFold(read_bench(bench).bench, START_NS), News(), 0
    resident: dict[int, float] = {}
    with RunWriter(
        folder / "run", texts=texts_of(bench), clock=HostClock(hands, hands), durable=False
    ) as writer:
        for opened_ in ("controller", "broker"):
            first = Happened(opened_, START_NS, "opened", "")
            writer.put(first)
            fold.feed([first])
        for k in range(seconds):
            records = list(second(k))
            hands.now_ns = START_NS + (k + 1) * S
            for record in records:
                writer.put(record)
            fold.feed(records)
            for told in looked(fold, news, hands.now_ns) if k % look_s == 0 else ():
                raised += not told.is_over
                if not told.is_over:
                    writer.add(told.stored)
            if k % FLUSH_EVERY_S == 0:
                writer.flush(60.0)
            if (k + 1) % HOUR_S == 0:
                resident[(k + 1) // HOUR_S] = resident_mb()
        last = news.of(fold.finish(hands.now_ns), hands.now_ns)
        raised += sum(not told.is_over for told in last)
    hours = sorted(resident)
    shown = sorted({1, 2, *hours[:: max(len(hours) // 6, 1)], hours[-1]} & set(hours))
    events = seconds * (LINES + MESSAGES)
    return [
        ("recorded and watched", f"{days:g} days, {events:,} events"),
        ("resident after h: MB", ", ".join(f"{h}: {resident[h]:.1f}" for h in shown)),
        ("CPU for each event", f"{(time.process_time() - began_s) / events * 1e6:.0f} us"),
        ("findings raised", raised),
        ("file", f"{(folder / 'run' / DATABASE).stat().st_size / 1e6:.0f} MB"),
    ]


def looked(fold: LiveFold, news: News, now_ns: int) -> list[Told]:
    """One look of the rules: what is news."""
    return news.of(fold.until(now_ns - LATE_NS), now_ns)


def stored(folder: Path, seconds: int) -> Path:
    """A run of so many seconds, without rules; some two hundredths of a second each."""
    hands, run = Hands(), folder / "run"
    with RunWriter(
        run, texts=texts_of(bench_in(folder)), clock=HostClock(hands, hands), durable=False
    ) as writer:
        for k in range(seconds):
            for record in second(k):
                writer.put(record)
            hands.now_ns = START_NS + (k + 1) * S
            if k % FLUSH_EVERY_S == 0:
                writer.flush(60.0)
    return run


def opened(run: Path) -> Sequence[tuple[object, object]]:
    """Open the console on a run, in a process of its own; figures."""
    command = [sys.executable, "-m", "tests.benchmarks.live_week", "--open", str(run)]
    told = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    first_s, middle_s, resident = map(float, told.stdout.split())
    with StoredRun(run) as found:
        records = sum(source.records for source in found.sources())
    return [
        ("events", f"{records:,}"),
        ("file", f"{(run / DATABASE).stat().st_size / 1e6:,.0f} MB"),
        ("console: the newest line stands there after", f"{first_s:.1f} s"),
        ("a moment in the middle, after", f"{middle_s:.1f} s"),
        ("resident", f"{resident:.0f} MB, imports included"),
    ]


async def open_console(run: Path) -> tuple[float, float]:
    """Seconds until the newest line, and until one in the middle, stands on the screen."""
    from console.app.app import LastackApp
    from console.app.screens.timeline import TimelineScreen
    from console.app.state.request import Request
    from tests.console.app.growing_runs import text_of, until_so

    began_s = time.perf_counter()
    app = LastackApp(Request((str(run),)))
    async with app.run_test(size=(120, 40)) as pilot:
        await until_so(pilot, lambda: "cap/level n=" in text_of(app))
        first_s, screen, view = time.perf_counter() - began_s, app.screen, app.view
        assert isinstance(screen, TimelineScreen)
        assert view is not None
        assert view.held is not None
        assert view.held.is_newest
        middle_ns = (view.start_ns + view.end_ns) // 2
        began_s = time.perf_counter()
        screen.go_to(middle_ns, None)
        await until_so(pilot, lambda: holds(app.view, middle_ns))
        middle_s = time.perf_counter() - began_s
        app.leave()
        return first_s, middle_s


def holds(view: RunView | None, t_ns: int) -> bool:
    """Whether a moment is in the part of the run that a view holds."""
    if view is None or view.held is None:
        return False
    return view.held.span_ns[0] <= t_ns <= view.held.span_ns[1]


def resident_mb() -> float:
    """Resident memory now (Linux: VmRSS of proc(5))."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024


if __name__ == "__main__":
    if sys.argv[1:2] == ["--open"]:
        print(*asyncio.run(open_console(Path(sys.argv[2]))), resident_mb())
    else:
        main()

"""Made-up recordings of the cap line: a controller's port, a camera's port and the broker."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from hypothesis import strategies as st

from console.bench.load import load_bench
from console.bench.model import Bench
from console.run.rows import Text
from console.run.writer import RunWriter
from console.sources.records import Arrived, Chunk, Happened, Happening, HostClock, Record

MS, S = 1_000_000, 1_000_000_000
START_NS = 1_764_000_000 * S

BENCH_TEXT = """
[bench]
name = "cap line"

[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyCAP0"
baud = 115200
party = "line board"

[[source]]
name = "camera"
kind = "prints"
port = "/dev/ttyCAP1"

[[source]]
name = "broker"
kind = "messages"
host = "broker.capline.example"

[[rule]]
kind = "cadence"
table = "prints"
where = "source = 'controller'"
silence = "3 s"

[[rule]]
kind = "cadence"
name = "level"
table = "messages"
where = "topic = 'cap/level'"
period = "1 s"
silence = "4 s"

[[rule]]
kind = "reply-within"
name = "gate"
request_table = "prints"
request_where = "text LIKE 'gate%'"
reply_table = "messages"
reply_where = "topic = 'cap/gate'"
within = "700ms"

[[rule]]
kind = "limits"
table = "messages"
field = "fields.cm"
min = 2
max = 6

[[rule]]
kind = "sequence"
table = "messages"
field = "fields.n"
where = "topic = 'cap/level'"

[[rule]]
kind = "pattern"
name = "ports that go"
table = "happenings"
where = "what = 'closed'"
severity = "note"
"""

PIECES = (
    b"[%d] gate open\r\n",
    b"[%d] level ok\n",
    b"[%d] E camera: no frame\n",
    b"plain words\n",
    b"[%d] half a li",
    b"ne\n",
    b"\xff\x00\n",
    b"> ",
    b"\r",
    b"\n",
    b"[%d] a\n[%d] b\n",
    b"[0] boot\n",
)
WHATS: tuple[Happening, ...] = ("closed", "opened", "lost", "break", "retry", "note", "refused")
SOURCES = ("controller", "camera", "broker")

# What comes of a source, and how long after the record before it.
STEPS = st.lists(
    st.tuples(
        st.sampled_from(SOURCES),
        st.integers(0, len(PIECES) + 4),
        st.sampled_from([0, 1, 30, 120, 390, 450, 510, 700, 999, 1000, 1001, 1700, 5000]),
        st.integers(0, 6),
    ),
    max_size=40,
)


def bench() -> Bench:
    return load_bench(BENCH_TEXT, "bench.toml")


def records_of(steps: Sequence[tuple[str, int, int, int]]) -> list[Record]:
    """Records in order of time."""
    made: list[Record] = []
    t = START_NS
    for k, (source, kind, gap_ms, number) in enumerate(steps):
        t += gap_ms * MS
        if kind > len(PIECES) + 1:
            made.append(Happened(source, t, WHATS[number % len(WHATS)], f"number {number}"))
        elif source == "broker":
            topic = "cap/gate" if kind % 3 == 0 else "cap/level"
            made.append(Arrived(source, t, topic, b'{"n": %d, "cm": %d}' % (k, number + 1), 1))
        else:
            piece = PIECES[kind % len(PIECES)]
            ticks = (t - START_NS) // MS
            data = piece % ((ticks,) * piece.count(b"%d")) if b"%d" in piece else piece
            made.append(Chunk(source, t, data))
    return made


def healthy(seconds: float, every_s: float = 1.0) -> Iterator[Record]:
    """A cap line on which nothing is wrong: polls, gate moves answered, levels."""
    for source in SOURCES:
        yield Happened(source, START_NS, "opened", "")
    for k in range(round(seconds / every_s)):
        t = START_NS + 5 * MS + round(k * every_s * S)
        ticks = (t - START_NS) // MS
        yield Chunk("controller", t, b"[%d] poll %d level %d\r\n" % (ticks, k, 30 + k % 7))
        yield Chunk("camera", t + 20 * MS, b"[%d] frame %d ok\n" % (ticks + 20, k))
        if k % 10 == 0:
            yield Chunk("controller", t + 40 * MS, b"[%d] gate %d\r\n" % (ticks + 40, k))
            yield Arrived("broker", t + 90 * MS, "cap/gate", b'{"n": %d}' % k)
        cm = 3 + (k % 7) / 4
        yield Arrived("broker", t + 140 * MS, "cap/level", b'{"n": %d, "cm": %.2f}' % (k, cm))


class Hands:
    """A clock that shows what it is set to."""

    def __init__(self, now_ns: int = START_NS) -> None:
        self.now_ns = now_ns

    def clock(self) -> HostClock:
        return HostClock(lambda: self.now_ns, lambda: self.now_ns)


def recorded(
    folder: Path,
    records: Iterable[Record],
    until_ns: int,
    *,
    from_ns: int = START_NS,
    append: bool = False,
    bench_text: str = BENCH_TEXT,
    packets: Mapping[str, bytes] | None = None,
) -> Path:
    """A run of these records, recorded between two moments."""
    hands = Hands(from_ns)
    texts = [Text("bench", "bench.toml", bench_text.encode())]
    texts += [Text("packets", name, content) for name, content in (packets or {}).items()]
    writer = RunWriter(
        folder, texts=texts, append=append, clock=hands.clock(), durable=False, name="cap line"
    )
    for k, record in enumerate(records):
        writer.put(record)
        if k % 50_000 == 49_999:
            writer.flush()
    hands.now_ns = until_ns
    writer.close()
    return folder

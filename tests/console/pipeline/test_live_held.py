"""What is held back (a stamp's form is not decided yet, a line has no end) came all the same."""

from __future__ import annotations

from console.bench.load import load_bench
from console.pipeline.live import LiveFold
from console.sources.records import Chunk, Happened

MS = 1_000_000
START_NS = 1_764_000_000_000 * MS
BENCH = """
[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyCAP0"

[[rule]]
kind = "cadence"
table = "prints"
silence = "1 s"
"""


def raised_until(end_ms: int, *, silent_from_ms: int) -> list[tuple[int, str]]:
    """Lines without stamps ten times a second; what was raised, and when, by a timer."""
    fold = LiveFold(load_bench(BENCH, "bench.toml"), START_NS, defaults=False)
    fold.feed([Happened("controller", START_NS, "opened", "/dev/ttyCAP0")])
    found = []
    for at_ms in range(50, end_ms, 50):
        now_ns = START_NS + at_ms * MS
        if at_ms % 100 == 0 and at_ms < silent_from_ms:
            fold.feed([Chunk("controller", now_ns, b"poll answered\r\n")])
        if at_ms % 250 == 0:
            step = fold.until(now_ns - 50 * MS)
            found += [(at_ms, finding.rule) for finding in step.raised]
    return found


def test_lines_that_are_held_back_are_no_silence() -> None:
    assert raised_until(6000, silent_from_ms=6000) == []


def test_a_silence_after_them_is_told_within_a_second_of_its_limit() -> None:
    ((at_ms, rule),) = raised_until(6000, silent_from_ms=3000)
    assert rule == "cadence"
    assert 2900 + 1000 < at_ms <= 2900 + 1000 + 1000

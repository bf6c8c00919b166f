"""A run that is recorded while a screen shows it."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from textual.app import App
from textual.pilot import Pilot

from console.app.app import LastackApp
from console.run.rows import Named, Raised, Text
from console.run.writer import RunWriter
from console.sources.records import Chunk, Happened, HostClock

BENCH = b"""[bench]
name = "cap line"

[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyUSB0"
baud = 115200

[[source]]
name = "broker"
kind = "messages"
host = "localhost"
"""
APART_NS = 100_000_000
WAIT_S = 60.0


class Growing:
    """A run of two sources on the real clock, put line by line, a tenth of a second apart.

    Args:
        folder: of the run.
        before: lines that were put before now.
    """

    def __init__(self, folder: Path, before: int = 100) -> None:
        self.folder = folder
        self.clock = HostClock()
        self.start_ns = self.now_ns = self.clock() - before * APART_NS
        self.writer = RunWriter(
            folder, name="cap line", texts=[Text("bench", "bench.toml", BENCH)], clock=self.clock
        )
        self.writer.add(Named("controller", "prints", "/dev/ttyUSB0"))
        self.writer.add(Named("broker", "messages", "localhost"))
        self.writer.put(Happened("controller", self.now_ns, "opened", "/dev/ttyUSB0 at 115200"))
        self.writer.put(Happened("broker", self.now_ns, "refused", "nothing listens there"))
        self.lines = 0
        self.print_lines(before)

    def print_lines(self, count: int, words: bytes = b"poll") -> None:
        """So many lines more, stored; stamps may run ahead of the clock."""
        for _ in range(count):
            self.now_ns += APART_NS
            self.lines += 1
            self.writer.put(Chunk("controller", self.now_ns, b"%s %d\r\n" % (words, self.lines)))
        self.writer.flush()

    def raise_finding(self, summary: str = "polls: nothing has come for 2 s") -> Raised:
        """A fault, now."""
        raised = Raised(
            self.clock(), self.now_ns, "cadence", "fault", "controller", "controller", summary, "{}"
        )
        self.writer.add(raised)
        self.writer.flush()
        return raised


async def until(pilot: Pilot[int], app: LastackApp, words: str) -> str:
    """Wait until the words stand on the screen; all of it."""
    end = time.monotonic() + WAIT_S
    while words not in (screen := text_of(app)):
        assert time.monotonic() < end, f"{words!r} does not stand on\n{screen}"
        await pilot.pause(0.05)
    return screen


async def until_so(pilot: Pilot[int], holds: Callable[[], bool]) -> None:
    """Wait until a claim holds."""
    end = time.monotonic() + WAIT_S
    while not holds():
        assert time.monotonic() < end, text_of(pilot.app)
        await pilot.pause(0.05)


def text_of(app: App[Any]) -> str:
    """What stands on the screen."""
    return "\n".join(strip.text.rstrip() for strip in app.screen._compositor.render_strips())

"""Progress: on a terminal only, after half a second, and gone at the end."""

from __future__ import annotations

import io
import os
import sys

import pytest

from console.commands.progress import Progress


class Terminal(io.StringIO):
    """Standard error that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The time, to be set by the test."""
    now = [100.0]
    monkeypatch.setattr("console.commands.progress.time.monotonic", lambda: now[0])
    monkeypatch.setitem(os.environ, "TERM", "xterm")
    return now


def drawn(monkeypatch: pytest.MonkeyPatch, stderr: io.StringIO, clock: list[float]) -> str:
    """What two calls write, the first at once and the second after a second."""
    monkeypatch.setattr(sys, "stderr", stderr)
    with Progress() as progress:
        progress("wire.csv", 10, 100)
        clock[0] += 1.0
        progress("wire\x1b[31m.csv", 45, 100)
    return stderr.getvalue()


def test_it_waits_half_a_second_and_leaves_nothing(
    monkeypatch: pytest.MonkeyPatch, clock: list[float]
) -> None:
    text = drawn(monkeypatch, Terminal(), clock)
    assert text == "\r\x1b[Kwire␛[31m.csv  45 %" + "\r\x1b[K"


def test_it_says_nothing_where_no_terminal_is(
    monkeypatch: pytest.MonkeyPatch, clock: list[float]
) -> None:
    assert drawn(monkeypatch, io.StringIO(), clock) == ""


def test_it_says_nothing_on_a_dumb_terminal(
    monkeypatch: pytest.MonkeyPatch, clock: list[float]
) -> None:
    monkeypatch.setitem(os.environ, "TERM", "dumb")
    assert drawn(monkeypatch, Terminal(), clock) == ""

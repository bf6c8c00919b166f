from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

import pytest

from console.commands.record_output import Output


class Terminal:
    """A stream that says it is a terminal."""

    def __init__(self) -> None:
        self.text = ""

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> None:
        self.text += text

    def flush(self) -> None:
        pass


def on_terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """Stderr is a terminal for the rest of this test; not in a fixture, which capturing undoes."""
    found = Terminal()
    monkeypatch.setattr(sys, "stderr", found)
    monkeypatch.setenv("TERM", "xterm-256color")
    return found


def test_findings_go_to_stdout_and_troubles_to_stderr(
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = Output(quiet=False, bell=True)
    out.finding("fault camera silent")
    out.say("broker: refused")
    out.status("recording 3 s")
    told = capsys.readouterr()
    assert told.out == "fault camera silent\n"
    assert told.err == "lastack: broker: refused\n"  # no bell and no status: it is no terminal


def test_a_quiet_recording_says_nothing_but_errors(capsys: pytest.CaptureFixture[str]) -> None:
    out = Output(quiet=True, bell=False)
    out.say("broker: refused")
    out.error("the disk is full")
    assert capsys.readouterr().err == "lastack: the disk is full\n"


def test_the_status_line_gives_way_to_what_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = on_terminal(monkeypatch)
    out = Output(quiet=False, bell=False)
    out.status("recording 3 s")
    out.say("broker: refused")
    out.status("recording 4 s")
    out.close()
    clear = "\r\x1b[K"
    assert terminal.text == (
        f"{clear}recording 3 s{clear}lastack: broker: refused\n{clear}recording 4 s{clear}"
    )


def test_a_status_line_is_no_wider_than_the_terminal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = on_terminal(monkeypatch)
    monkeypatch.setenv("COLUMNS", "20")
    Output(quiet=False, bell=False).status("瓶" * 30)
    assert terminal.text == "\r\x1b[K" + "瓶" * 9 + " "


def test_a_finding_rings_where_that_was_asked_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = on_terminal(monkeypatch)
    Output(quiet=False, bell=True).finding("fault")
    assert terminal.text == "\a"
    terminal.text = ""
    Output(quiet=False, bell=False).finding("fault")
    assert terminal.text == ""


def test_a_reader_that_goes_away_is_told_once_and_ends_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = on_terminal(monkeypatch)
    with _closed_pipe() as stdout:
        monkeypatch.setattr(sys, "stdout", stdout)
        out = Output(quiet=False, bell=False)
        out.finding("fault 1")
        out.finding("fault 2")
    assert terminal.text == (
        "lastack: findings cannot be written any more: Broken pipe. The recording goes on.\n"
    )


@contextmanager
def _closed_pipe() -> Iterator[TextIO]:
    reader, writer = os.pipe()
    os.close(reader)
    with open(writer, "w", encoding="utf-8") as stream:
        yield stream

"""Recording from a port under the console, in tmux(1): lines appear as they come."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from console.run.stored import StoredRun
from console.sources.records import Chunk
from tests.console.app.test_in_tmux import ROOT, Tmux
from tests.console.commands.recorder import PORT, SILENT, bench
from tests.console.sources.live import Pty


@pytest.fixture
def pty() -> Pty:
    return Pty()


@pytest.fixture
def tmux(tmp_path: Path, pty: Pty) -> Iterator[Tmux]:
    """The console on a run that is recorded from a port."""
    path = bench(tmp_path, PORT.format(path=pty.path), SILENT)
    environment = (
        f"PYTHONUTF8=1 LC_ALL=C.UTF-8 PYTHONPATH='{ROOT}' XDG_STATE_HOME='{tmp_path}/state'"
    )
    record = f"-m console.cli record '{path}' -o '{tmp_path}/soak' --console"
    command = f"{environment} '{sys.executable}' {record}; echo ended with $?; sleep 60"
    window = Tmux(tmp_path / "socket", command)
    yield window
    window.kill()


def test_lines_appear_as_they_come_and_quitting_asks_first(
    tmp_path: Path, tmux: Tmux, pty: Pty
) -> None:
    tmux.until("following the newest events")
    pty.send(b"poll 1 answered\r\n")
    tmux.until("poll 1 answered")
    pty.send(b"poll 2 answered\r\n")
    tmux.until("poll 2 answered")
    tmux.until("polls: nothing has come since")  # and nobody looked for it
    tmux.press("6")
    tmux.until("1 of 1 source open")
    tmux.press("q")
    tmux.until("This ends the recording.")
    tmux.press("q")
    left = tmux.until("ended with 1")  # a fault was raised
    assert "records;" in " ".join(left.split())
    with StoredRun(tmp_path / "soak", full=True) as run:
        data = b"".join(r.data for r in run.records() if isinstance(r, Chunk))
        assert run.problems == ()
        assert run.sessions()[-1].ended_ns is not None
    assert data == b"poll 1 answered\r\npoll 2 answered\r\n"

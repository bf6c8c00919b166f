"""The console in tmux(1), a whole terminal: keys in, screen out."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
COLUMNS, ROWS = 80, 24


class Tmux:
    """A server of its own with one window."""

    def __init__(self, socket: Path, command: str) -> None:
        self._base = ["tmux", "-S", str(socket), "-f", os.devnull]
        size = ["-x", str(COLUMNS), "-y", str(ROWS)]
        self._run("new-session", "-d", *size, command)

    def _run(self, *arguments: str) -> str:
        told = subprocess.run(
            [*self._base, *arguments], check=True, capture_output=True, text=True, timeout=30
        )
        return told.stdout

    @property
    def screen(self) -> str:
        """What stands on the screen."""
        return self._run("capture-pane", "-p")

    def press(self, *keys: str) -> None:
        """Send keys by tmux's names."""
        self._run("send-keys", *keys)

    def until(self, words: str, timeout_s: float = 60.0) -> str:
        """Wait until the words stand on the screen; all of it."""
        end = time.monotonic() + timeout_s
        while words not in (screen := self.screen):
            assert time.monotonic() < end, f"{words!r} does not stand on\n{screen}"
            time.sleep(0.05)
        return screen

    def kill(self) -> None:
        """End the server."""
        subprocess.run([*self._base, "kill-server"], check=False, capture_output=True)


@pytest.fixture
def tmux(tmp_path: Path) -> Iterator[Tmux]:
    """The start screen. Without tmux this fails: it is a requirement of the tests."""
    environment = (
        f"PYTHONUTF8=1 LC_ALL=C.UTF-8 PYTHONPATH='{ROOT}' XDG_STATE_HOME='{tmp_path}/state'"
    )
    command = f"{environment} '{sys.executable}' -m console.cli; echo ended with $?; sleep 60"
    window = Tmux(tmp_path / "socket", command)
    yield window
    window.kill()


def test_from_the_start_screen_to_the_demo_and_out(tmux: Tmux) -> None:
    start = tmux.until("o Open a file")
    tmux.press("Enter")
    story = tmux.until("camera stopped answering")
    tmux.press("q")
    left = tmux.until("ended with 0")
    assert "whose camera goes silent" in start
    assert "controller" in story
    assert "camera stopped answering" not in left


def test_an_error_is_shown_where_the_path_was_typed(tmux: Tmux) -> None:
    tmux.until("o Open a file")
    tmux.press("o")
    tmux.until("tab Complete")  # the line has the keys
    tmux.press("-l", "nowhere.csv")
    tmux.until("nowhere.csv")
    tmux.press("Enter")
    tmux.until("no such file")
    screen = tmux.until("or look around")
    assert "Check the name and the directory it is given from." in screen


def test_from_the_start_to_the_bits_under_the_last_good_reply(tmux: Tmux) -> None:
    tmux.until("o Open a file")
    tmux.press("Enter")
    tmux.until("34:10.8529")  # the first bad event, once the whole run is read
    tmux.until("address not")
    tmux.press("/")
    tmux.until(" search")
    tmux.press("-l", "sequence 2047")
    tmux.until("1 event")
    tmux.press("Enter")
    tmux.until("▌  34:09.8543")
    tmux.press("Escape")  # on its own: with a key right behind it, it would be alt and that key
    tmux.until("space Sheet")
    tmux.press("Enter")
    bits = tmux.until("drives SDA")
    lines = bits.splitlines()
    byte = next(line for line in lines if "byte" in line and "2Eh read" in line)
    drawn = next(line for line in lines if line.strip().startswith("bit"))
    assert byte
    assert drawn.split()[1:10] == ["S", "0", "1", "0", "1", "1", "1", "0", "R"]

"""Whatever terminal, pipe or locale: text that can be drawn, and no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import pytest

Lastack = Callable[..., "CompletedProcess[str]"]

# OSC, CSI, C1, bidi, zero width, combining, DEL
HOSTILE = "\x1b]0;x\x07\x1b[31m\x9b31m\u202eevil\u200be\u0301\x7f\x85"
ASCII = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}


def log_of(folder: Path) -> Path:
    path = folder / "a.log"
    path.write_text("".join(f"[{k}000] é {HOSTILE}\n" for k in range(5)), encoding="utf-8")
    return path


def messages_of(folder: Path) -> Path:
    path = folder / "m.jsonl"
    rows = [
        {"t": k, "topic": f"é/{HOSTILE}", "payload": json.dumps({HOSTILE: k})} for k in range(9)
    ]
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "{log}", "{messages}"),
        ("check", "{log}", "--json"),
        ("new", "{log}", "{messages}"),
        ("export", "{log}", "--table", "prints", "--format", "csv"),
        ("export", "{messages}", "--table", "messages"),
        (HOSTILE,),
        ("check", HOSTILE),
        ("check", f"--{HOSTILE}"),
        ("check", "{log}", "--fail-on", HOSTILE),
        ("check", "{log}", "--clock", f"{HOSTILE}=+1s"),
        ("check", "{log}", "--threshold", HOSTILE),
        ("export", "{log}", "--table", HOSTILE),
        ("export", "{log}", "--table", "prints", "--where", HOSTILE),
    ],
)
def test_nothing_but_printable_text_comes_out(
    arguments: tuple[str, ...], lastack: Lastack, tmp_path: Path
) -> None:
    files = {"{log}": log_of(tmp_path), "{messages}": messages_of(tmp_path)}
    run = lastack(*(files.get(word, word) for word in arguments))
    said = (run.stdout + run.stderr).replace("\n", "")
    assert "Traceback" not in said
    assert said.isprintable()
    assert "\u0301" not in said


@pytest.mark.parametrize("command", [("check",), ("new",), ("export", "--table", "prints")])
def test_an_ascii_locale_takes_every_text(
    command: tuple[str, ...], lastack: Lastack, tmp_path: Path
) -> None:
    run = lastack(command[0], log_of(tmp_path), *command[1:], environment=ASCII)
    assert run.returncode == 0
    assert run.stderr == ""


def test_an_ascii_locale_shows_what_it_lacks(lastack: Lastack, tmp_path: Path) -> None:
    run = lastack("check", tmp_path / "nöwhere.csv", environment=ASCII)
    assert run.returncode == 2
    assert run.stderr.isascii()
    assert "no such file" in run.stderr


def test_a_starter_file_is_utf_8_in_every_locale(lastack: Lastack, tmp_path: Path) -> None:
    run = lastack("new", messages_of(tmp_path), environment=ASCII)
    assert "é/" in run.stdout


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-"])
def test_a_closed_stream_is_no_bug(closed: str, tmp_path: Path) -> None:
    path = "-" if closed == "<&-" else str(log_of(tmp_path))
    command = f'"{sys.executable}" -m console.cli check "{path}" {closed}'
    run = subprocess.run(["sh", "-c", command], check=False, capture_output=True, text=True)
    assert run.returncode == (2 if closed == "<&-" else 0)
    assert "Traceback" not in run.stderr


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
@pytest.mark.parametrize("arguments", [("check",), ("new",), ("export", "--table", "prints")])
def test_a_full_disk_is_told(arguments: tuple[str, ...], tmp_path: Path) -> None:
    command = [sys.executable, "-m", "console.cli", arguments[0], str(log_of(tmp_path))]
    with open("/dev/full", "w") as full:
        run = subprocess.run(
            [*command, *arguments[1:]],
            check=False,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert run.returncode == 2
    assert run.stderr.startswith("lastack: the output cannot be written")
    assert "Traceback" not in run.stderr

"""What a finding says comes from outside: it is data for the program, and never a command."""

from __future__ import annotations

import json
import shlex
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from console.commands.on_finding import BURST, VARIABLE, OnFinding, command_words
from decoders.errors import DiagnosticError

# Appends what it gets to a file: standard input, and the variable.
KEEPS = (
    "import os, sys; file = open(sys.argv[1], 'a', encoding='utf-8');"
    f"file.write(repr((sys.stdin.read(), os.environ['{VARIABLE}'], sys.argv[2:])) + chr(10))"
)
HOSTILE = (
    "$(touch {here})",
    "`touch {here}`",
    "; touch {here} ;",
    "' ; touch {here} ; '",
    '" ; touch {here} ; "',
    "\n touch {here} \n",
    "--help",
    "\x00\x1b[31m\u202e\ud800 瓶",
    "%s {0} $HOME",
)


def keeping(path: Path) -> list[str]:
    return [sys.executable, "-c", KEEPS, str(path)]


def kept(path: Path) -> list[tuple[str, str, list[str]]]:
    text = path.read_text("utf-8") if path.exists() else ""
    return [eval(line) for line in text.splitlines()]


@contextmanager
def running(words: list[str], **told: Any) -> Iterator[tuple[OnFinding, list[str]]]:
    said: list[str] = []
    program = OnFinding(words, said.append, **told)
    try:
        yield program, said
    finally:
        program.close()


def stopped_clock() -> Callable[[], float]:
    return lambda: 0.0


def test_the_finding_is_given_on_standard_input_and_in_the_environment(tmp_path: Path) -> None:
    with running(keeping(tmp_path / "kept")) as (program, said):
        program.put({"rule": "cadence", "t_ns": 5, "evidence": {"count": 3}})
    ((stdin, variable, arguments),) = kept(tmp_path / "kept")
    expected = {"rule": "cadence", "t_ns": 5, "evidence": {"count": 3}, "skipped_before": 0}
    assert json.loads(stdin) == json.loads(variable) == expected
    assert (arguments, said) == ([], [])


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_run_nothing_and_arrive_as_they_are(tmp_path: Path, text: str) -> None:
    told = text.replace("{here}", str(tmp_path / "made"))
    with running(keeping(tmp_path / "kept")) as (program, said):
        program.put({"summary": told, "party": told})
    ((stdin, variable, arguments),) = kept(tmp_path / "kept")
    assert json.loads(stdin)["summary"] == json.loads(variable)["party"] == told
    assert stdin.isascii()
    assert (arguments, said) == ([], [])
    assert not (tmp_path / "made").exists()


def test_hostile_texts_are_no_part_of_a_shell_that_was_asked_for(tmp_path: Path) -> None:
    words = command_words(f"sh -c 'cat > {shlex.quote(str(tmp_path / 'kept'))}'")
    with running(words) as (program, _):
        program.put({"summary": f"'; touch {tmp_path / 'made'}; '"})
    assert json.loads((tmp_path / "kept").read_text("utf-8"))["summary"].startswith("'; touch")
    assert not (tmp_path / "made").exists()


def test_evidence_too_long_for_a_variable_is_on_standard_input_alone(tmp_path: Path) -> None:
    times = list(range(100_000))
    with running(keeping(tmp_path / "kept")) as (program, said):
        program.put({"rule": "cadence", "evidence": {"times_ns": times}})
    ((stdin, variable, _),) = kept(tmp_path / "kept")
    assert json.loads(stdin)["evidence"] == {"times_ns": times}
    assert json.loads(variable) == {"rule": "cadence", "skipped_before": 0}
    assert said == []


def test_a_program_that_hangs_is_ended_with_what_it_started(tmp_path: Path) -> None:
    words = ["sh", "-c", f"sleep 60 & echo $! > {tmp_path / 'child'}; wait"]
    with running(words, timeout_s=1.0) as (program, said):
        program.put({})
    child = int((tmp_path / "child").read_text())
    end = time.monotonic() + 30
    while _is_running(child):
        assert time.monotonic() < end
        time.sleep(0.02)
    assert said == ["--on-finding: sh was ended after 1 s"]


def test_putting_never_waits_for_the_program() -> None:
    with running(["sleep", "60"], timeout_s=0.5) as (program, _):
        began = time.monotonic()
        for _ in range(1000):
            program.put({})
        assert time.monotonic() - began < 1.0
        program._waiting.queue.clear()


def test_it_runs_for_so_many_findings_at_once_and_says_how_many_it_left_out(
    tmp_path: Path,
) -> None:
    now = [0.0]
    with running(keeping(tmp_path / "kept"), now_s=lambda: now[0]) as (program, said):
        for k in range(BURST + 7):
            program.put({"k": k})
        now[0] += 60.0
        program.put({"k": 100})
    found = [json.loads(stdin) for stdin, _, _ in kept(tmp_path / "kept")]
    assert [row["k"] for row in found] == [*range(BURST), 100]
    assert found[-1]["skipped_before"] == 7
    assert program.skipped == 7
    assert said == ["--on-finding: too many findings at once; it is not run for each of them"]


def test_a_program_that_fails_is_told(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.write_text("#!/bin/sh\nexit 3\n")
    gone.chmod(0o755)
    with running([str(gone)]) as (program, said):
        program.put({})
    assert said == [f"--on-finding: {gone} ended with 3"]


def test_a_program_that_is_gone_by_then_is_told_and_the_next_is_tried(tmp_path: Path) -> None:
    with running([str(tmp_path / "gone")]) as (program, said):
        program.put({})
        program.put({})
    assert said == [f"--on-finding: {tmp_path / 'gone'}: No such file or directory"] * 2


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "there is no command"),
        ("'open", "No closing quotation"),
        ("no-such-program-anywhere now", "no program 'no-such-program-anywhere'"),
    ],
)
def test_what_is_no_command_is_refused_before_anything_begins(text: str, message: str) -> None:
    with pytest.raises(DiagnosticError, match=message) as told:
        command_words(text)
    assert told.value.mend


def test_words_are_split_once_as_a_shell_would() -> None:
    assert command_words("""sh -c 'echo "$1"' x "two words" """) == [
        "sh", "-c", 'echo "$1"', "x", "two words",
    ]  # fmt: skip


def test_no_thread_is_left_behind() -> None:
    before = threading.active_count()
    with running(["true"]) as (program, _):
        program.put({})
    assert threading.active_count() == before


def _is_running(pid: int) -> bool:
    """Whether a process is there and no mere rest of one (proc(5))."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] != "Z"

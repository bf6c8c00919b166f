"""`--on-finding`: a program run for each finding, which gets the finding as data, never as text.

The command is split into words once, as a shell would (shlex), and run without a shell; what a
finding says reaches it on standard input and in `LASTACK_FINDING` as JSON in ASCII, so that nothing
a wire or a broker said can become a command. It runs beside the recording: one at a time, so many a
minute, each ended after a while.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import shlex
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from decoders.errors import DiagnosticError

VARIABLE = "LASTACK_FINDING"
TIMEOUT_S = 10.0
MOST_WAITING = 100
BURST, REFILL_S = 10, 6.0  # so many at once, then one each so many seconds
_MOST_IN_VARIABLE = 100_000  # bytes; the system refuses longer ones (execve(2), MAX_ARG_STRLEN)

Words = Callable[[str], object]


def command_words(text: str) -> list[str]:
    """The words of a command, the first of them a program that is there.

    Raises:
        DiagnosticError: when it is none.
    """
    try:
        words = shlex.split(text)
    except ValueError as error:
        mend = "Quote it once as a whole, and words with spaces in it once more."
        raise DiagnosticError(f"--on-finding: {error}", mend=mend) from error
    if not words:
        raise DiagnosticError(
            "--on-finding: there is no command", mend="Give a program, such as 'notify-send found'."
        )
    if shutil.which(words[0]) is None:
        raise DiagnosticError(
            f"--on-finding: no program {words[0]!r}",
            mend="Give its path, or one that is on PATH. No shell runs it: for pipes or"
            " redirection give sh -c '...'.",
        )
    return words


class OnFinding:
    """The program and what waits for it.

    Args:
        words: program and arguments.
        say: takes what goes wrong, from this object's thread.
        timeout_s: after which a run of it is ended.
        now_s: a clock that never goes back.
    """

    def __init__(
        self,
        words: Sequence[str],
        say: Words,
        *,
        timeout_s: float = TIMEOUT_S,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.skipped = 0  # findings for which it was not run
        self._words, self._say, self._timeout_s, self._now_s = list(words), say, timeout_s, now_s
        self._waiting: queue.Queue[dict[str, Any] | None] = queue.Queue(MOST_WAITING)
        self._tokens, self._filled_s = float(BURST), now_s()
        self._untold = 0  # skipped and not told to the program yet
        self._process: subprocess.Popen[bytes] | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="on finding", daemon=True)
        self._thread.start()

    def put(self, finding: dict[str, Any]) -> None:
        """Run it for a finding, soon; returns at once.

        Args:
            finding: what JSON can hold.
        """
        self._tokens = min(BURST, self._tokens + (self._now_s() - self._filled_s) / REFILL_S)
        self._filled_s = self._now_s()
        if self._tokens < 1 or self._waiting.full():
            self._skip()
            return
        self._tokens -= 1
        self._waiting.put_nowait({**finding, "skipped_before": self._untold})
        self._untold = 0

    def close(self, timeout_s: float = TIMEOUT_S) -> None:
        """Let it run for what waits, for so long at most."""
        with contextlib.suppress(queue.Full):
            self._waiting.put(None, timeout=timeout_s)
        self._thread.join(timeout_s)
        self._closing.set()
        if self._process is not None:
            _end(self._process)
        self._thread.join(1.0)

    def _skip(self) -> None:
        if not self._untold:
            self._say("--on-finding: too many findings at once; it is not run for each of them")
        self.skipped += 1
        self._untold += 1

    def _run(self) -> None:
        while (finding := self._waiting.get()) is not None and not self._closing.is_set():
            try:
                self._run_once(finding)
            except OSError as error:
                self._say(f"--on-finding: {self._words[0]}: {error.strerror or error}")

    def _run_once(self, finding: dict[str, Any]) -> None:
        text = json.dumps(finding)
        process = subprocess.Popen(
            self._words,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, VARIABLE: _for_variable(finding, text)},
            start_new_session=True,  # Ctrl-C is for the recording, and its children end with it
        )
        self._process = process
        try:
            process.communicate(text.encode() + b"\n", self._timeout_s)
        except subprocess.TimeoutExpired:
            _end(process)
            self._say(f"--on-finding: {self._words[0]} was ended after {self._timeout_s:g} s")
        else:
            if process.returncode and not self._closing.is_set():
                self._say(f"--on-finding: {self._words[0]} ended with {process.returncode}")
        finally:
            self._process = None


def _for_variable(finding: dict[str, Any], text: str) -> str:
    """The finding as JSON, without its evidence, then without its words, where it is too long."""
    brief = {key: value for key, value in finding.items() if key != "evidence"}
    least = {key: value for key, value in finding.items() if not isinstance(value, str | dict)}
    texts = (text, json.dumps(brief), json.dumps(least))
    return next(each for each in texts if len(each) <= _MOST_IN_VARIABLE)


def _end(process: subprocess.Popen[bytes]) -> None:
    """End it and what it started."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.communicate(timeout=1.0)

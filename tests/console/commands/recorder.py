"""`lastack record` as a user starts it, and waiting for what it says. Nothing here sleeps."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

WAIT_S = 60.0
PORT = """
[[source]]
name = "controller"
kind = "prints"
port = "{path}"
baud = 115200
retry = ["100ms", "1s"]
"""
BROKER = """
[[source]]
name = "broker"
kind = "messages"
host = "127.0.0.1"
port = {port}
"""
SILENT = """
[[rule]]
kind = "cadence"
table = "prints"
name = "polls"
silence = "1500ms"
"""


def bench(folder: Path, *tables: str) -> Path:
    path = folder / "bench.toml"
    path.write_text('[bench]\nname = "cap line"\n' + "\n".join(tables), "utf-8")
    return path


class Recorder:
    """A process that records; killed at the end, whatever happens.

    Args:
        arguments: after `lastack record`.
        most_bytes: how large a file it writes may become; None: as ever.
    """

    def __init__(self, *arguments: str | Path, most_bytes: int | None = None) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "console.cli", "record", *map(str, arguments)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONUTF8": "1"},
        )
        if most_bytes is not None:
            hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
            resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (most_bytes, hard))
        self._changed = threading.Condition()
        self._texts = {"stdout": "", "stderr": ""}
        self._threads = [threading.Thread(target=self._read, args=(name,)) for name in self._texts]
        for thread in self._threads:
            thread.start()

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.process.kill()
        self.ended()

    @property
    def stdout(self) -> str:
        """What it has printed so far."""
        return self._texts["stdout"]

    @property
    def stderr(self) -> str:
        """What it has said beside that."""
        return self._texts["stderr"]

    def wait_for(self, words: str, times: int = 1) -> None:
        """Wait until it has said words so many times, on either."""
        self.wait(lambda: (self.stdout + self.stderr).count(words) >= times)

    def wait(self, enough: Callable[[], bool]) -> None:
        """Wait for it to be so; looked at again whenever something was said."""
        with self._changed:
            assert self._changed.wait_for(enough, WAIT_S), (self.stdout, self.stderr)

    def send(self, number: signal.Signals) -> None:
        """Send it a signal."""
        self.process.send_signal(number)

    def ended(self) -> int:
        """Wait for its end; the exit code."""
        code = self.process.wait(WAIT_S)
        for thread in self._threads:
            thread.join(WAIT_S)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()
        return code

    def _read(self, name: str) -> None:
        stream = getattr(self.process, name)
        for line in stream:
            with self._changed:
                self._texts[name] += line.decode("utf-8")
                self._changed.notify_all()

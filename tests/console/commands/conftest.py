"""A short run of the cap line on disk, and the program as a user starts it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

import captures_demo
from captures_demo.simulator.cap_line_plan import SHORT
from captures_demo.simulator.make import files
from captures_demo.simulator.writers.files import write

Lastack = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture(scope="session")
def short_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the demo's bench file and a run of 51 polls: 40 answered, 3 missed, 8 dead."""
    folder = tmp_path_factory.mktemp("cap_line")
    for name, pieces in files(SHORT).items():
        write(folder / name, pieces)
    shipped = Path(captures_demo.__file__).parent / "cap_line"
    for name in ("bench.toml", "camera.packets.toml"):
        shutil.copy(shipped / name, folder)
    return folder


@pytest.fixture
def lastack() -> Lastack:
    """Run the program; standard output and error are kept apart."""

    def run(
        *arguments: str | Path,
        stdin: bytes | None = None,
        environment: Mapping[str, str] | None = None,
        cwd: Path | None = None,
    ) -> subprocess.CompletedProcess[str]:
        finished = subprocess.run(
            [sys.executable, "-m", "console.cli", *map(str, arguments)],
            check=False,
            input=stdin,
            capture_output=True,
            env={**os.environ, "PYTHONUTF8": "1", **(environment or {})},
            cwd=cwd,
            timeout=120,
        )
        return subprocess.CompletedProcess(
            finished.args,
            finished.returncode,
            finished.stdout.decode("utf-8"),
            finished.stderr.decode("utf-8"),
        )

    return run

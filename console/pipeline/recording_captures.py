"""Captures exported while a run is recorded: copied into the run's folder, whole or not at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

from console.pipeline.stored import CAPTURES, folder_name
from console.sources.records import Happened, HostClock, Record


class CaptureKeeper:
    """Copies files into a run.

    Args:
        folder: of the run.
        put: takes what could not be copied, as a record.
        clock: that stamps it.
    """

    def __init__(self, folder: Path, put: Callable[[Record], None], clock: HostClock) -> None:
        self._folder = folder / CAPTURES
        self._put, self._clock = put, clock

    def keep(self, source: str, path: Path) -> None:
        """Copy a complete file; another one of that name stays, and this gets a number."""
        try:
            folder = self._folder / folder_name(source)
            folder.mkdir(parents=True, exist_ok=True)
            part = folder / f".{path.name}.part"
            shutil.copyfile(path, part)
            with part.open("rb") as file:
                os.fsync(file.fileno())
            part.replace(free_name(folder, path.name))
        except OSError as error:
            name = os.fsencode(path).decode("utf-8", "backslashreplace")
            words = f"{name} was not copied into the run: {error.strerror or error}"
            self._put(Happened(source, self._clock(), "lost", words))


def free_name(folder: Path, name: str) -> Path:
    """A name in a folder that nothing has: `wire.csv`, `wire-2.csv`, .."""
    stem, dot, tail = name.partition(".")
    path, k = folder / name, 2
    while path.exists():
        path, k = folder / f"{stem}-{k}{dot}{tail}", k + 1
    return path

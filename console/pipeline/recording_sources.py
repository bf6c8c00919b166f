"""The live sources of a bench file: its ports, brokers and watched folders."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from console.bench.load import BenchFile
from console.bench.model import (
    CaptureSource,
    MessagesSource,
    NetworkSource,
    PrintsSource,
    Source,
)
from console.sources.records import LiveSource
from decoders.errors import DescriptionError, DiagnosticError, Place

HandOver = Callable[[str, Path], None]
"""Takes a complete capture: the source's name and the file; called in the source's thread."""

Environment = Callable[[str], str | None]
"""Gives a variable of the environment, None where it is not set."""


@dataclass(frozen=True, slots=True, eq=False)
class Live:
    """A source that is recorded."""

    described: Source
    source: LiveSource

    @property
    def required(self) -> bool:
        """Whether a recording that cannot open it at first is none."""
        return not isinstance(self.described, NetworkSource) and self.described.required


def is_live(source: Source) -> bool:
    """Whether a source says where it can be recorded from."""
    if isinstance(source, PrintsSource):
        return source.port is not None
    if isinstance(source, MessagesSource):
        return source.host is not None
    return not isinstance(source, NetworkSource) and source.folder is not None


def live_sources(
    file: BenchFile,
    name: str,
    hand_over: HandOver,
    environment: Environment = os.environ.get,
) -> list[Live]:
    """Every source of a bench that can be recorded, not started yet.

    Args:
        file: the bench.
        name: of the bench file, for errors.
        hand_over: takes captures that were exported into a watched folder.
        environment: where brokers' passwords are looked up.

    Raises:
        DiagnosticError: when there is none, or one cannot be meant.
    """
    found = [
        Live(source, _made(source, name, hand_over, environment))
        for source in file.bench.sources
        if is_live(source)
    ]
    if not found:
        raise DiagnosticError(
            "there is nothing to record: no source has a port, a host or a folder",
            place=Place(name),
            mend='Give a [[source]] one, such as port = "/dev/ttyUSB0" or host = "localhost".',
        )
    return found


def unrecorded(file: BenchFile) -> list[str]:
    """The names of the sources that are files alone."""
    return [source.name for source in file.bench.sources if not is_live(source)]


def _made(source: Source, name: str, hand_over: HandOver, environment: Environment) -> LiveSource:
    """A source; what reads it is imported only where there is one of its kind."""
    try:
        if isinstance(source, PrintsSource):
            from console.sources.port import PortSource

            return PortSource(source)
        if isinstance(source, MessagesSource):
            from console.sources.broker import BrokerSource

            return BrokerSource(source, environment)
        return _folder(source, hand_over)
    except DiagnosticError as error:
        words = f"source '{source.name}': {error.message}"
        raise DescriptionError(words, place=error.place or Place(name), mend=error.mend) from error


def _folder(source: CaptureSource | NetworkSource, hand_over: HandOver) -> LiveSource:
    from console.sources.folder import FolderSource

    if isinstance(source, NetworkSource):
        raise TypeError(f"{source.name} cannot be recorded")
    return FolderSource(source, lambda path: hand_over(source.name, path))

"""What was opened last, newest first."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

import msgspec

from console.app.state.request import Request
from console.app.state.state_files import read_state, write_home

MOST = 20
NAME = "recent.json"


class RecentRun(msgspec.Struct, frozen=True):
    """A bench or recordings that were opened."""

    name: str  # of the bench; from outside, not cleaned
    paths: Annotated[tuple[str, ...], msgspec.Meta(min_length=1)]  # absolute
    opened: Annotated[datetime, msgspec.Meta(tz=True)]
    i2c: tuple[str, ...] = ()  # what was said on the command line beside the paths
    clock: tuple[str, ...] = ()
    packets: str | None = None
    rules: str | None = None
    threshold: float | None = None
    rate: float | None = None

    @classmethod
    def of(cls, request: Request, name: str, opened: datetime) -> RecentRun:
        """What was just opened."""
        said = {key: os.path.abspath(value) if key in ("packets", "rules") else value
                for key, value in request.overrides.items() if value}  # fmt: skip
        paths = tuple(os.path.abspath(path) for path in request.paths)
        return msgspec.convert(
            {"name": name, "paths": paths, "opened": opened, **said}, cls, strict=False
        )

    @property
    def request(self) -> Request:
        """To open it again."""
        said = {
            key: getattr(self, key)
            for key in ("i2c", "clock", "packets", "rules", "threshold", "rate")
        }
        return Request(self.paths, {key: value for key, value in said.items() if value})

    @property
    def missing(self) -> list[str]:
        """The paths at which there is nothing now."""
        return [path for path in self.paths if not os.path.exists(path)]


class _Recent(msgspec.Struct, kw_only=True):
    schema: int = 1
    runs: list[RecentRun] = []


def read_recent(home: Path) -> tuple[list[RecentRun], str]:
    """What was opened last, and a remark, "" when there is none."""
    found, remark = read_state(home / NAME, _Recent)
    return ([] if found is None else found.runs[:MOST]), remark


def with_newest(runs: Sequence[RecentRun], newest: RecentRun) -> list[RecentRun]:
    """The runs with one more in front; the same paths stand there once."""
    others = [run for run in runs if run.paths != newest.paths]
    return [newest, *others][:MOST]


def note_opened(home: Path, newest: RecentRun) -> str:
    """Put a run in front of the list; a remark when that cannot be kept.

    The list is read again for it: another console may have written it.
    """
    runs, remark = read_recent(home)
    data = msgspec.json.encode(_Recent(runs=with_newest(runs, newest)))
    try:
        write_home(home / NAME, msgspec.json.format(data, indent=1) + b"\n")
    except OSError as error:
        return f"{home / NAME}: cannot be written ({error.strerror})"
    return remark

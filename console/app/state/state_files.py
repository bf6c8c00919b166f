"""Small files of state: written whole or not at all, and never trusted when read.

They hold what a user would miss but can do without. So nothing about them stops the console: what
cannot be read is set aside under another name and told in one line.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TypeVar

import msgspec
import platformdirs

SCHEMA = 1
MOST_BYTES = 16 << 20  # more than this was written by something else
ASIDE = ".aside"

State = TypeVar("State", bound=msgspec.Struct)


class _Head(msgspec.Struct):
    """What every file of state says of itself; without it the file is not ours."""

    schema: int


def state_home() -> Path:
    """Where state of ours lives: `$XDG_STATE_HOME/lastack` (XDG Base Directory Specification)."""
    return platformdirs.user_state_path("lastack", appauthor=False)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that after any crash the old or the new one is there, whole.

    Raises:
        OSError: when it cannot be written; then the old one is as it was.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Make the renaming last. Some file systems cannot; the file is whole even so."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def write_home(path: Path, data: bytes) -> None:
    """As `write_whole`, for a file in the state directory, which is made when it is not there.

    Raises:
        OSError: when it cannot be written.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)  # 0700 as the specification has it
    write_whole(path, data)


def read_state(path: Path, kind: type[State]) -> tuple[State | None, str]:
    """What a file of state holds.

    Returns:
        The state, None where there is none that can be used; and a remark for the user, "" when
        there is nothing to say. A file that cannot be used was renamed.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        return None, ""
    except OSError as error:
        return None, f"{path}: cannot be read ({error.strerror}), begun anew"
    try:
        if len(data) > MOST_BYTES:
            return None, _set_aside(path, "too large to be ours")
        schema = msgspec.json.decode(data, type=_Head).schema
        if schema != SCHEMA:
            return None, _set_aside(path, f"of another version (schema {schema})")
        return msgspec.json.decode(data, type=kind), ""
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None, _set_aside(path, "not a state file, or damaged")


def _set_aside(path: Path, why: str) -> str:
    """Rename what cannot be used, so that it is neither read again nor lost; say so."""
    names = [ASIDE, *(f"{ASIDE}-{k}" for k in range(2, 100))]
    free = (path.with_name(path.name + name) for name in names)
    aside = next((name for name in free if not name.exists()), None)
    if aside is not None:
        with contextlib.suppress(OSError):
            path.rename(aside)
            return f"{path}: {why}; set aside as {aside.name}, begun anew"
    return f"{path}: {why}; begun anew"

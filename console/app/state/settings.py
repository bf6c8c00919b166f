"""What is remembered of the console itself, whatever run is open."""

from __future__ import annotations

from pathlib import Path

import msgspec

from console.app.state.state_files import read_state, write_home

NAME = "settings.json"


class Settings(msgspec.Struct, kw_only=True):
    """As it stands in the file."""

    schema: int = 1
    theme: str = ""


def read_settings(home: Path) -> Settings:
    """What is remembered; nothing where the file cannot be used."""
    return read_state(home / NAME, Settings)[0] or Settings()


def write_settings(home: Path, data: bytes) -> str:
    """Remember it; a remark when that cannot be done."""
    try:
        write_home(home / NAME, data)
    except OSError as error:
        return f"{home / NAME}: cannot be written ({error.strerror})"
    return ""


def encoded_settings(settings: Settings) -> bytes:
    """As they stand in the file."""
    return msgspec.json.format(msgspec.json.encode(settings), indent=1) + b"\n"

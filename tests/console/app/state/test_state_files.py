from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from console.app.state.kept import Kept
from console.app.state.state_files import (
    MOST_BYTES,
    read_state,
    state_home,
    write_home,
    write_whole,
)


def test_state_lives_where_the_xdg_specification_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", "/somewhere/state")
    assert state_home() == Path("/somewhere/state/lastack")


def test_a_file_is_replaced_whole_and_nothing_lies_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    write_whole(path, b"old")
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"
    assert os.listdir(tmp_path) == ["a.json"]


def test_what_cannot_be_written_leaves_the_old_one_and_nothing_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.mkdir()
    with pytest.raises(OSError, match="directory"):
        write_whole(path, b"new")
    assert os.listdir(tmp_path) == ["a.json"]


def test_the_state_directory_is_made_for_its_user_alone(tmp_path: Path) -> None:
    write_home(tmp_path / "lastack" / "a.json", b"{}")
    assert (tmp_path / "lastack").stat().st_mode & 0o777 == 0o700


def test_no_file_is_no_state_and_no_remark(tmp_path: Path) -> None:
    assert read_state(tmp_path / "a.json", Kept) == (None, "")


BROKEN = [
    (b"", "not a state file, or damaged"),
    (b'{"schema": 1, "marks": [{"t_n', "not a state file, or damaged"),
    (b'{"schema": 1, "marks": 3}', "not a state file, or damaged"),
    (b'{"topic": "a", "payload": "b"}', "not a state file, or damaged"),
    (b"[1, 2]", "not a state file, or damaged"),
    (b"[" * 100_000, "not a state file, or damaged"),
    (b'{"schema": 1, "filter": "\xff"}', "not a state file, or damaged"),
    (b'{"schema": 2, "marks": []}', "of another version (schema 2)"),
    (b'{"schema": 1, "filter": "' + b"x" * MOST_BYTES + b'"}', "too large to be ours"),
]


@pytest.mark.parametrize(("data", "why"), BROKEN, ids=range(len(BROKEN)))
def test_what_cannot_be_used_is_set_aside_and_told_in_one_line(
    data: bytes, why: str, tmp_path: Path
) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(data)
    found, remark = read_state(path, Kept)
    assert found is None
    assert remark == f"{path}: {why}; set aside as a.json.aside, begun anew"
    assert (tmp_path / "a.json.aside").read_bytes() == data
    assert not path.exists()


def test_what_was_set_aside_before_stays(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    for text in ("first", "second"):
        path.write_text(text)
        read_state(path, Kept)
    assert (tmp_path / "a.json.aside").read_text() == "first"
    assert (tmp_path / "a.json.aside-2").read_text() == "second"


def test_a_folder_in_its_place_is_told_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.mkdir()
    found, remark = read_state(path, Kept)
    assert found is None
    assert remark == f"{path}: cannot be read (Is a directory), begun anew"
    assert path.is_dir()


def test_unknown_keys_of_the_same_version_are_no_damage(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text(json.dumps({"schema": 1, "later": 1, "filter": "t_ns > 3"}))
    found, remark = read_state(path, Kept)
    assert (found, remark) == (Kept(filter="t_ns > 3"), "")

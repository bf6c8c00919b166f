from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.app.paths_typed import completion, paths_of


@pytest.fixture
def runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Some names to complete, as the current folder."""
    (tmp_path / "night shift").mkdir()
    for name in ("wire.csv", "wire.vcd", "bench.toml", ".hidden", "night shift/bench.toml"):
        (tmp_path / name).touch()
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_several_paths_are_typed_as_in_a_shell(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/home/cellar")
    assert paths_of(" a.csv 'b c.log' d\\ e ~/f ") == ("a.csv", "b c.log", "d e", "/home/cellar/f")


def test_an_open_quotation_is_told() -> None:
    with pytest.raises(ValueError, match="quotation mark is not closed"):
        paths_of("'a.csv")


@pytest.mark.parametrize(
    ("line", "completed", "names"),
    [
        ("wi", "wire.", ("wire.csv", "wire.vcd")),
        ("b", "bench.toml", ("bench.toml",)),
        ("bench.toml wire.c", "bench.toml wire.csv", ("wire.csv",)),
        ("n", "night\\ shift/", ("night shift/",)),
        ("night\\ shift/", "night\\ shift/bench.toml", ("bench.toml",)),
        ("'night shift/b", "night\\ shift/bench.toml", ("bench.toml",)),
        (".h", ".hidden", (".hidden",)),
        ("nothing", "nothing", ()),
        ("nowhere/", "nowhere/", ()),
        ("a\0b/", "a\0b/", ()),
    ],
)
def test_the_last_word_is_completed(
    line: str, completed: str, names: tuple[str, ...], runs: Path
) -> None:
    found = completion(line)
    assert (found.line, found.names) == (completed, names)


def test_hidden_names_are_offered_only_where_a_dot_was_typed(runs: Path) -> None:
    assert completion("").names == ("bench.toml", "night shift/", "wire.csv", "wire.vcd")


def test_a_home_directory_is_completed_as_it_was_typed(
    runs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(runs))
    assert completion("~/ben").line == "~/bench.toml"


@given(line=st.text(alphabet="a b'\"\\~/.\0\n\u202e"))
def test_any_line_can_be_completed(line: str) -> None:
    assert completion(line).names is not None

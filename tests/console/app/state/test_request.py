from __future__ import annotations

from pathlib import Path

import pytest

from console.app.state.request import Request, demo_request


@pytest.mark.parametrize(
    ("paths", "words"),
    [
        (("/runs/bench.toml",), "bench.toml"),
        (("/runs/wire.csv", "b.log", "c.log"), "wire.csv and 2 more"),
        (("-",), "standard input"),
    ],
)
def test_a_request_has_words_before_its_name_is_known(paths: tuple[str, ...], words: str) -> None:
    assert Request(paths).words == words


def test_what_was_piped_in_is_not_offered_again() -> None:
    assert not Request(("a.csv", "-")).can_be_reopened
    assert Request(("a.csv",)).can_be_reopened


def test_the_demo_is_there() -> None:
    demo = demo_request()
    assert Path(demo.paths[0]).is_file()
    assert (demo.words, demo.can_be_reopened) == ("the demo", False)

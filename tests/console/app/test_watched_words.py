"""What a run was watched for."""

from __future__ import annotations

from console.app.watched_words import watched_words
from tests.console.app.screens.showing import demo_view, empty_view


def test_sources_and_the_rules_of_the_bench_are_named() -> None:
    text = "\n".join(watched_words(demo_view()))
    assert "  controller: prints, 2,664 lines, 00:00.3 to 35:23.9" in text.splitlines()
    assert "blocks have a width" in text
    assert "lines held low" in text


def test_a_run_without_sources_says_that_nothing_was_watched() -> None:
    assert list(watched_words(empty_view())) == ["Nothing was watched: the run has no source."]

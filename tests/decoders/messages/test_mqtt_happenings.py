from __future__ import annotations

import pytest

from decoders.messages.mqtt_happenings import Happening, seconds


@pytest.mark.parametrize(
    ("ns", "words"),
    [
        (0, "0 s"),
        (1_500_000, "0.0015 s"),
        (90_000_000_000, "90 s"),
        (99_999_000_000, "100 s"),
        (123_456_000_000, "123 s"),
        (86_400_000_000_000, "86,400 s"),
    ],
)
def test_lengths_of_time_are_told_in_seconds_of_three_figures(ns: int, words: str) -> None:
    assert seconds(ns) == words


def test_each_happening_has_a_word_of_its_own() -> None:
    assert len({str(what) for what in Happening}) == len(Happening)
    assert Happening("keep-alive") is Happening.KEEP_ALIVE

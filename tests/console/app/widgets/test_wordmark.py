from __future__ import annotations

from console.app.widgets.wordmark import wordmark


def test_there_are_nine_pulses_as_for_a_byte_and_its_acknowledge() -> None:
    # UM10204 section 3.1.5: eight bits, and the acknowledge on the ninth clock.
    assert wordmark(ascii_only=False).plain.count("╭╮") == 9


def test_in_ascii_it_is_ascii_and_fits_a_narrow_terminal() -> None:
    lines = wordmark(ascii_only=True).plain.split("\n")
    assert all(line.isascii() for line in lines)
    assert max(map(len, lines)) <= 76


def test_the_name_stands_in_it() -> None:
    assert "lastack" in wordmark(ascii_only=True).plain

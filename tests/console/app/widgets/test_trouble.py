from __future__ import annotations

from console.app.signs import ASCII
from console.app.widgets.trouble import MOST_CHARACTERS, trouble_words


def test_what_is_wrong_comes_first_and_how_to_mend_it_below() -> None:
    words = trouble_words(("bench.toml:3: no such key\nDid you mean 'name'?",), ASCII)
    assert words.plain == "! bench.toml:3: no such key  x close\n  Did you mean 'name'?"


def test_several_stand_below_each_other_and_one_key_closes_all() -> None:
    assert trouble_words(("a", "b"), ASCII).plain == "! a\n! b  x close"


def test_nothing_wrong_is_nothing_said() -> None:
    assert trouble_words((), ASCII).plain == ""


def test_markup_and_escapes_from_outside_are_only_shown() -> None:
    words = trouble_words(("[/x] [@click=app.quit]no[/] \x1b[31m\x00",), ASCII)
    assert words.plain == "! [/x] [@click=app.quit]no[/] ␛[31m␀  x close"


def test_a_message_of_a_megabyte_is_cut() -> None:
    assert len(trouble_words(("x" * 1_000_000,), ASCII).plain) < MOST_CHARACTERS + 20

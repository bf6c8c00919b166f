from __future__ import annotations

import pytest

from console.app.loading import Progress
from console.app.signs import ASCII, UNICODE
from console.app.widgets.progress_line import line_of

WIRE = Progress("wire", 430, 1000, 1, 3)


@pytest.mark.parametrize(
    ("progress", "words"),
    [
        (Progress(), "opening  x stop"),
        (WIRE, "reading wire  =======---------  43 %  1 of 3 read  x stop"),
        (Progress("wire", 2_500_000, None, 0, 1), "reading wire  2.5 MB  x stop"),
        (Progress("wire", 9, 9, 3, 3), "putting the sources on one axis, watching"),
        (
            Progress("wire", 430, 1000, 1, 3, stopped_at="wire at 43%"),
            "^ reading was stopped in wire at 43%: this is not the whole run  x close",
        ),
    ],
)
def test_the_line_says_what_is_done(progress: Progress, words: str) -> None:
    assert line_of(progress, ASCII).plain == words


def test_it_fits_a_narrow_terminal() -> None:
    assert line_of(WIRE, UNICODE).cell_length <= 78


def test_a_hostile_name_drives_no_terminal() -> None:
    assert line_of(Progress("\x1b[31m\u202e", 0, 9, 0, 1), UNICODE).plain.isprintable()


def test_a_file_that_grew_while_it_was_read_is_no_more_than_whole() -> None:
    assert Progress("wire", 12, 9, 0, 1).share == 1.0

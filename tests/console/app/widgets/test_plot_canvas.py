from __future__ import annotations

import numpy as np

from console.app.widgets.plot import ASCII, UNICODE
from console.app.widgets.plot_canvas import Canvas


def rows_of(canvas: Canvas) -> list[str]:
    return ["".join(row) for row in canvas.characters.tolist()]


def test_each_dot_of_a_braille_cell_has_its_place() -> None:
    # ISO/IEC 11548-1: dots 1 2 3 7 down the left, 4 5 6 8 down the right; bit n - 1 above U+2800.
    drawn = []
    for column in range(2):
        for level in (3.0, 2.0, 1.0, 0.0):
            canvas = Canvas(1, 1, UNICODE.dots)
            low = np.array([np.nan, np.nan])
            low[column] = level
            canvas.draw(low, low, 0.0, 3.0, 4)
            drawn.append(rows_of(canvas)[0])
    assert drawn == [chr(0x2800 | 1 << dot - 1) for dot in (1, 2, 3, 7, 4, 5, 6, 8)]


def test_columns_are_filled_from_lowest_to_highest() -> None:
    canvas = Canvas(2, 3, ASCII.dots)
    canvas.draw(np.array([0.0, 2.0, 4.0]), np.array([5.0, 3.0, 4.0]), 0.0, 5.0, 4)
    assert rows_of(canvas) == ["|.-", "|' "]


def test_nothing_is_drawn_where_there_is_no_value() -> None:
    canvas = Canvas(2, 2, ASCII.dots)
    nothing = np.array([np.nan, np.nan])
    assert not canvas.draw(nothing, nothing, 0.0, 1.0, 4).any()
    assert rows_of(canvas) == ["  ", "  "]


def test_two_curves_in_one_cell_keep_their_dots_and_the_last_has_the_colour() -> None:
    canvas = Canvas(1, 1, ASCII.dots)
    canvas.draw(np.array([0.0]), np.array([0.0]), 0.0, 2.0, 4)
    canvas.draw(np.array([2.0]), np.array([2.0]), 0.0, 2.0, 5)
    assert rows_of(canvas) == ["|"]
    assert canvas.runs() == [[("|", 5)]]


def test_a_line_goes_behind_what_is_drawn() -> None:
    canvas = Canvas(1, 3, ASCII.dots)
    canvas.draw(np.array([np.nan, 1.0, np.nan]), np.array([np.nan, 1.0, np.nan]), 0.0, 2.0, 4)
    canvas.line(0, "=", 2)
    assert canvas.runs() == [[("=", 2), ("-", 4), ("=", 2)]]


def test_a_cursor_leaves_the_canvas_as_it_was() -> None:
    canvas = Canvas(2, 2, ASCII.dots)
    canvas.draw(np.array([0.0, 0.0]), np.array([0.0, 0.0]), 0.0, 5.0, 4)
    with_cursor = canvas.with_cursor(1, ":", 1, 16, "=")
    assert with_cursor.runs() == [[(" ", 0), (":", 1)], [(".", 4), (".", 20)]]
    assert canvas.runs() == [[("  ", 0)], [("..", 4)]]


def test_a_value_outside_has_no_row() -> None:
    canvas = Canvas(4, 1, ASCII.dots)
    assert [canvas.row_of(v, 0.0, 10.0) for v in (-0.1, 0.0, 5.0, 10.0, 10.1)] == [
        None,
        3,
        2,
        0,
        None,
    ]

"""Text cut and filled by cells."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from console.app.timeline.pieces import cut, filled, right_filled
from console.printable import printable

CLEAN = st.text(max_size=40).map(printable)
ELLIPSES = st.sampled_from(["…", "~", ""])


@given(CLEAN, st.integers(0, 30), ELLIPSES)
def test_filled_text_takes_exactly_its_cells(text: str, cells: int, ellipsis: str) -> None:
    assert cell_len(filled(text, cells, ellipsis)) == cells
    assert cell_len(right_filled(text, cells, ellipsis)) == cells


@given(CLEAN, st.integers(1, 30))
def test_text_that_fits_is_left_and_a_cut_is_told(text: str, cells: int) -> None:
    shown = cut(text, cells, "…")
    assert (shown == text) if cell_len(text) <= cells else shown.endswith("…")


@pytest.mark.parametrize(
    ("text", "cells", "shown"),
    [
        ("abcdef", 4, "abc…"),
        ("瓶瓶瓶", 4, "瓶 …"),
        ("瓶瓶瓶", 5, "瓶瓶…"),
        ("瓶", 1, "…"),
        ("a", 0, ""),
    ],
)
def test_a_character_of_two_cells_is_never_halved(text: str, cells: int, shown: str) -> None:
    assert cut(text, cells, "…") == shown


def test_without_an_ellipsis_no_cell_is_given_up_for_it() -> None:
    assert cut("abcdef", 4, "") == "abcd"


def test_a_text_of_a_megabyte_is_cut_by_its_beginning() -> None:
    assert filled("x" * (1 << 20), 5, "…") == "xxxx…"

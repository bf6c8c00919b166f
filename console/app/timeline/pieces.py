"""Rows as pieces of text with a style's name; cut and filled by cells."""

from __future__ import annotations

from rich.cells import cell_len, set_cell_size

Piece = tuple[str, str]  # text, name of its style
Row = list[Piece]


def cut(text: str, cells: int, ellipsis: str) -> str:
    """Text that takes at most so many cells; what was cut off is told by the ellipsis.

    Args:
        text: clean, so that no character is without width.
        cells: how many there are.
        ellipsis: one cell, or "" where a cut is not told.
    """
    if cells <= 0:
        return ""
    text = text[: cells + 1]
    if cell_len(text) <= cells:
        return text
    return set_cell_size(text, cells - len(ellipsis)) + ellipsis


def filled(text: str, cells: int, ellipsis: str) -> str:
    """Text of exactly so many cells."""
    shown = cut(text, cells, ellipsis)
    return shown + " " * (cells - cell_len(shown))


def right_filled(text: str, cells: int, ellipsis: str) -> str:
    """As `filled`, at the right edge."""
    shown = cut(text, cells, ellipsis)
    return " " * (cells - cell_len(shown)) + shown

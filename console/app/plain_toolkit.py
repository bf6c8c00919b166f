"""What the toolkit itself draws, in ASCII: scroll bars of whole cells, keys by their names."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding
from textual.scrollbar import ScrollBar, ScrollBarRender


class WholeCells(ScrollBarRender):
    """A scroll bar without parts of cells."""

    VERTICAL_BARS: ClassVar[list[str]] = [" "]
    HORIZONTAL_BARS: ClassVar[list[str]] = [" "]


def draw_scroll_bars(*, ascii_only: bool) -> None:
    """Choose how all scroll bars are drawn from now on."""
    ScrollBar.renderer = WholeCells if ascii_only else ScrollBarRender


def key_words(shown: str, binding: Binding, *, ascii_only: bool) -> str:
    """A key as the footer and the help show it.

    Args:
        shown: how the toolkit would show it.
        binding: the key's.
        ascii_only: whether to show it with ASCII alone.
    """
    return binding.key if ascii_only and not shown.isascii() else shown

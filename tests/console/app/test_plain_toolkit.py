"""What the toolkit draws, in ASCII."""

from __future__ import annotations

import pytest
from rich.segment import Segment
from textual.binding import Binding
from textual.scrollbar import ScrollBar, ScrollBarRender

from console.app.app import LastackApp
from console.app.plain_toolkit import WholeCells, key_words


@pytest.mark.parametrize("position", [0, 3.3, 17.9, 50, 99])
@pytest.mark.parametrize("vertical", [True, False])
def test_a_scroll_bar_is_drawn_in_whole_cells(position: float, vertical: bool) -> None:
    bar = WholeCells.render_bar(
        size=20, virtual_size=120, window_size=20, position=position, vertical=vertical
    )
    drawn = "".join(s.text for s in bar.segments if isinstance(s, Segment))
    assert drawn.isascii()


@pytest.mark.parametrize(("ascii_only", "renderer"), [(True, WholeCells), (False, ScrollBarRender)])
def test_every_app_chooses_how_scroll_bars_are_drawn(
    ascii_only: bool, renderer: type[ScrollBarRender]
) -> None:
    LastackApp(ascii_only=ascii_only)
    assert ScrollBar.renderer is renderer


@pytest.mark.parametrize(
    ("shown", "key", "ascii_only", "words"),
    [("⏎", "enter", True, "enter"), ("⏎", "enter", False, "⏎"), ("^p", "ctrl+p", True, "^p")],
)
def test_a_key_is_named_where_its_picture_cannot_be_shown(
    shown: str, key: str, ascii_only: bool, words: str
) -> None:
    assert key_words(shown, Binding(key, "x"), ascii_only=ascii_only) == words


def test_the_app_names_its_keys_so() -> None:
    binding = Binding("enter", "x")
    displays = [LastackApp(ascii_only=only).get_key_display(binding) for only in (True, False)]
    assert displays[0] == "enter"
    assert not displays[1].isascii()

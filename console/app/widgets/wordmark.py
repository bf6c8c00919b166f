"""The name, under the clock of one byte: eight pulses, and the ninth, which asks for the answer."""

from __future__ import annotations

from textual.content import Content
from textual.widgets import Static

PULSES = 8
UNICODE_PULSE = ("╭╮", "╯╰")
ASCII_PULSE = (".-.", "' '")
CLAIM = "who stopped answering, when, after how many"


class Wordmark(Static):
    """Two rows: a clock line with its ninth pulse lit, the name, and what it is for."""

    DEFAULT_CSS = "Wordmark { height: 2; width: 1fr; }"

    def __init__(self, *, ascii_only: bool = False) -> None:
        super().__init__(wordmark(ascii_only=ascii_only), markup=False)


def wordmark(*, ascii_only: bool) -> Content:
    """The drawing. UM10204 section 3.1.6: the acknowledge is on the ninth clock pulse."""
    upper, lower = ASCII_PULSE if ascii_only else UNICODE_PULSE
    return Content.assemble(
        (upper * PULSES, "$quiet"), (upper, "$primary"), ("   lastack\n", "$lit bold"),
        (lower * PULSES, "$quiet"), (lower, "$primary"), (f"   {CLAIM}", "$quiet"),
    )  # fmt: skip

"""Drawn bits, read back from the rows of the screen."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from console.app.timeline.columns import GUTTER
from console.app.timeline.pieces import Row
from tests.console.app.timeline.views import text_of

WORD = re.compile(r"\S+")
BYTE = re.compile(r"[0-9A-F]{2}h (?:read|write)|[0-9A-F]{2}|cut")


@dataclass(frozen=True)
class Drawn:
    """One run of cells: its rows by what the gutter calls them, and the wave above each name."""

    rows: dict[str, str]
    above: dict[str, str]

    def upper(self, name: str) -> str:
        """The upper row of a line."""
        return self.above[name]


def waves_of(rows: Sequence[Row]) -> Iterator[Drawn]:
    """Each run of cells, of which the empty row is the end."""
    found, above, last = {}, {}, ""
    for row in rows:
        text = text_of(row)
        name, drawn = text[:GUTTER].strip(), text[GUTTER:]
        if name:
            found[name], above[name] = drawn, last
        if not text and found:
            yield Drawn(found, above)
            found, above = {}, {}
        last = drawn


def lines_named(drawn: Drawn) -> dict[str, list[tuple[int, str]]]:
    """Words of each row, and where they stand."""
    return {
        name: [(found.start(), found.group()) for found in WORD.finditer(text)]
        for name, text in drawn.rows.items()
    }


def bits_of(rows: Sequence[Row]) -> str:
    """Everything the rows of bits say, end to end."""
    return "".join("".join(drawn.rows["bit"].split()) for drawn in waves_of(rows))


def bytes_of(rows: Sequence[Row]) -> list[str]:
    """The bytes that are drawn in hex."""
    return [word for drawn in waves_of(rows) for word in BYTE.findall(drawn.rows["byte"])]

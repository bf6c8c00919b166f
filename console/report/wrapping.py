"""Lines of a report that fit a width."""

from __future__ import annotations

import re

from rich.cells import cell_len, chop_cells

NARROWEST = 20  # columns beside the indent, below which wrapping only shreds
_WORDS = re.compile(r"\s*\S+")  # each with the blanks before it


def wrapped(line: str, width: int | None, indent: int | None = None) -> list[str]:
    """A line as one or more that fit, cut between words; its own indent stays.

    Args:
        line: printable.
        width: cells; None leaves it whole.
        indent: of what follows the first; two more than its own if left out.
    """
    own = len(line) - len(line.lstrip())
    indent = own + 2 if indent is None else indent
    if width is None or cell_len(line) <= width or width < indent + NARROWEST:
        return [line]
    lines, now = [], ""
    for piece in _WORDS.findall(line):
        if now.strip() and cell_len(now + piece) > width:
            lines.append(now)
            now, piece = " " * indent, piece.lstrip()
        now += piece
        while cell_len(now) > width:  # one word, wider than all there is
            head = chop_cells(now, width)[0]
            lines.append(head)
            now = " " * indent + now[len(head) :]
    return [*lines, now]

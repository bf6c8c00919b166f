"""The words under a line that is typed on: what is wrong and where, what may come next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len

from console.app.signs import Signs
from console.app.timeline.pieces import Row, cut
from console.printable import printable
from decoders.errors import DiagnosticError

LEAST_BESIDE = 24  # cells right of the sign that its words need to stand there
GAP = 2  # cells between what is offered


def trouble_row(words: str, at: int | None, width: int, signs: Signs, style: str) -> Row:
    """A sign under the place that is meant and words beside it; near the right edge, left of it.

    Args:
        words: what is wrong; cleaned here.
        at: cell of the place; None, or one outside the row, where it cannot be shown.
        width: cells of the row.
        signs: the characters to draw with.
        style: of the words.
    """
    said = printable(words)
    if at is None or not 0 <= at < width:
        return [(cut(said, width, signs.ellipsis), style)]
    room = width - at - 2
    if room >= 0 and (room >= min(LEAST_BESIDE, cell_len(said)) or room > at):
        return [(" " * at, style), (signs.here + " " + cut(said, room, signs.ellipsis), style)]
    if at < LEAST_BESIDE // 2:  # no room on either side
        return [(cut(said, width, signs.ellipsis), style)]
    shown = cut(said, at - 1, signs.ellipsis)
    return [(" " * (at - 1 - cell_len(shown)) + shown + " " + signs.here, style)]


def trouble_words(error: DiagnosticError) -> str:
    """What is wrong and the first sentence of how to mend it, on one line."""
    mend = error.mend
    for end in ("? ", ". "):
        head, found, _ = mend.partition(end)
        if found:
            mend = head + end.strip()
            break
    return f"{error.message}. {mend}" if mend else error.message


@dataclass(frozen=True, slots=True)
class Offer:
    """One thing that may come next, and what it is."""

    text: str
    note: str = ""


def offers_row(offers: Sequence[Offer], chosen: int, width: int, signs: Signs) -> Row:
    """As many as there is room for around the chosen one, and at the right what that is.

    Args:
        offers: from outside; cleaned here.
        chosen: which one is taken next; a sign stands before it.
        width: cells of the row.
        signs: the characters to draw with.
    """
    if not offers or width < 4:
        return []
    note = cut(printable(offers[chosen].note), width // 3, signs.ellipsis)
    room = width - (cell_len(note) + GAP if note else 0)
    widest = max(room - GAP - 2, 1)
    texts = [cut(printable(offer.text), widest, signs.ellipsis) for offer in offers]
    first = _first_shown([cell_len(text) for text in texts], chosen, room)
    row: Row = []
    used = 0
    for k in range(first, len(texts)):
        text = (signs.cursor if k == chosen else " ") + texts[k] + " " * GAP
        size = cell_len(text)
        more = k + 1 < len(texts)  # a cell is kept to tell that there are
        if used + size > room - more:
            row.append((signs.ellipsis, "quiet"))
            used += 1
            break
        row.append((text, "lit" if k == chosen else "text"))
        used += size
    if note:
        row.append((" " * max(width - used - cell_len(note), 0) + note, "quiet"))
    return row


def _first_shown(sizes: Sequence[int], chosen: int, room: int) -> int:
    """The first one shown, so that the chosen one is."""
    first, used = chosen, sizes[chosen] + 1 + GAP + 1
    while first and used + sizes[first - 1] + 1 + GAP <= room:
        first -= 1
        used += sizes[first] + 1 + GAP
    return first

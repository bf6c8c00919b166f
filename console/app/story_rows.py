"""A story as rows of a list: titles, sentences wrapped to the width, folded parts closed."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from rich.cells import cell_len
from textual.content import Content

from console.app.signs import Signs
from console.app.timeline.pieces import cut
from console.diagnosis.held.drawing import in_ascii
from console.diagnosis.story import Line, Part, Story

INDENT = 4  # cells before a sentence
LEAST = 20  # cells a sentence has, however narrow the screen
MOST_TEXT = 4_000  # characters of one sentence that are looked at


@dataclass(frozen=True, slots=True)
class StoryRow:
    """One row: of a part's title, or of a line of it. Its text is clean."""

    text: str
    part: Part | None = None  # None: space between two parts
    line: Line | None = None  # None: the title
    is_first: bool = True  # of the rows that one sentence takes

    @property
    def is_stop(self) -> bool:
        """Whether the cursor may stand here: it leads somewhere, or opens a part."""
        if self.part is None or not self.is_first:
            return False
        if self.line is None:
            return self.part.folded
        return True


def story_rows(
    story: Story, opened: Collection[str], width: int, signs: Signs
) -> Iterator[StoryRow]:
    """The rows of a story.

    Args:
        story: what is told.
        opened: titles of folded parts that the user opened.
        width: cells of the list.
        signs: the characters to draw with.
    """
    room = max(LEAST, width - INDENT - 1)
    for k, part in enumerate(story.parts):
        if k:
            yield StoryRow("")
        yield StoryRow(part.title, part)
        if part.folded and part.title not in opened:
            continue
        for line in part.lines:
            for n, text in enumerate(_wrapped(line, room, signs)):
                yield StoryRow(text, part, line, n == 0)


def _wrapped(line: Line, room: int, signs: Signs) -> list[str]:
    """A sentence in rows of at most so many cells; a drawing in one, cut."""
    words = line.words[:MOST_TEXT]
    text = signs.clean(in_ascii(words) if line.drawn and signs.is_ascii else words)
    if line.drawn or cell_len(text) <= room:
        return [cut(text, room, signs.ellipsis)]
    return [part.plain.rstrip() for part in Content(text).wrap(room)]

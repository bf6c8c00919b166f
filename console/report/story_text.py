"""Stories as text: what `check` prints of an episode under its findings."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

import click

from console.diagnosis.story import Line, Part, Story
from console.printable import printable

INDENT, WORDS = "  ", "    "
NARROWEST = 40  # columns below which wrapping only shreds
COLOURS = {"bad": "red", "good": "green", "doubt": "yellow"}


def story_text(
    stories: Sequence[Story],
    *,
    colour: bool = False,
    width: int | None = None,
    unfolded: bool = False,
) -> str:
    """Stories one after another, each line ended by a line feed; safe for a terminal.

    Args:
        stories: what to tell.
        colour: whether tones are coloured.
        width: columns to wrap to; None leaves each sentence on one line.
        unfolded: whether folded parts are told in full, not by their number of lines.
    """
    lines = (line for story in stories for line in _told(story, colour, width, unfolded))
    return "".join(f"{line}\n" for line in lines)


def _told(story: Story, colour: bool, width: int | None, unfolded: bool) -> Iterator[str]:
    yield from _wrapped(printable(story.head), "", width)
    for part in story.parts:
        if part.folded and not unfolded:
            yield f"{INDENT}{_folded(part)}"
            continue
        yield f"{INDENT}{part.title}"
        for line in part.lines:
            for text in _sentence(line, width):
                yield click.style(text, fg=COLOURS.get(line.tone)) if colour else text


def _folded(part: Part) -> str:
    return f"{part.title}: {len(part.lines)}"


def _sentence(line: Line, width: int | None) -> list[str]:
    text = printable(line.words)
    return [WORDS + text] if line.drawn else _wrapped(WORDS + text, WORDS, width)


def _wrapped(text: str, indent: str, width: int | None) -> list[str]:
    if width is None or len(text) <= width or width < NARROWEST:
        return [text]
    return textwrap.wrap(text, width, subsequent_indent=indent)

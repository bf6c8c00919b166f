"""Stories as text: what `check` prints of an episode under its findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import click

from console.diagnosis.story import Line, Part, Story
from console.printable import printable
from console.report.wrapping import wrapped
from console.timeline.times import since_start
from decoders.durations import UNITS_NS

INDENT, WORDS = "  ", "    "
How = tuple[int, bool, int | None]  # start of the run, colour, width
COLOURS = {"bad": "red", "good": "green", "doubt": "yellow"}


def story_text(
    stories: Sequence[Story],
    start_ns: int = 0,
    *,
    colour: bool = False,
    width: int | None = None,
    unfolded: bool = False,
) -> str:
    """Stories one after another, each line ended by a line feed; safe for a terminal.

    Args:
        stories: what to tell.
        start_ns: of the run, from which moments are counted.
        colour: whether tones are coloured.
        width: columns to wrap to; None leaves each sentence on one line.
        unfolded: whether folded parts are told in full, not by their number of lines.
    """
    how = start_ns, colour, width
    lines = (line for story in stories for line in _told(story, how, unfolded))
    return "".join(f"{line}\n" for line in lines)


def _told(story: Story, how: How, unfolded: bool) -> Iterator[str]:
    start_ns, colour, width = how
    yield from wrapped(printable(story.head), width, 0)
    times = [_time(line, start_ns) for _, line in story.lines()]
    wide = max(map(len, times), default=0)
    for part in story.parts:
        if part.folded and not unfolded:
            yield f"{INDENT}{_folded(part)}"
            continue
        yield f"{INDENT}{part.title}"
        for line in part.lines:
            for text in _sentence(line, f"{_time(line, start_ns):>{wide}}", width):
                yield click.style(text, fg=COLOURS.get(line.tone)) if colour else text
        for text in _how_to_record(part, wide, width):
            yield text


def _how_to_record(part: Part, wide: int, width: int | None) -> list[str]:
    """How to say what came of the experiment that is proposed; a screen has a key for it."""
    offered = [line.outcome for line in part.lines if line.outcome and line.tone == "quiet"]
    if not offered:
        return []
    experiment, outcome = offered[0]
    head = f"{INDENT}{'':{wide}}{INDENT}" if wide else WORDS
    said = f'outcome = [{{experiment = "{experiment}", outcome = "{outcome}"}}]'
    words = f"say what came of it in a file for --outcomes: {said}"
    return wrapped(head + words, width, len(head))


def _time(line: Line, start_ns: int) -> str:
    """When the evidence was; "" for what has no moment."""
    if line.place is None:
        return ""
    return since_start(line.place.t_ns - start_ns, UNITS_NS["ms"])


def _folded(part: Part) -> str:
    return f"{part.title}: {len(part.lines)}"


def _sentence(line: Line, time: str, width: int | None) -> list[str]:
    text = printable(line.words)
    head = f"{INDENT}{time}{INDENT}" if time else WORDS
    return [head + text] if line.drawn else wrapped(head + text, width, len(head))

"""The characters that screens draw with: one set for terminals that show Unicode, one in ASCII.

Every sign of a state differs in shape, so that colour is never the only sign.
"""

from __future__ import annotations

from dataclasses import dataclass

from console.printable import printable


@dataclass(frozen=True, slots=True)
class Signs:
    """One cell each, but for bars, a ramp from empty to full, and `plus_minus`."""

    lifeline: str
    node: str  # an event, as it should be
    odd: str
    bad: str
    unseen: str  # the evidence could not have shown it
    absent: str  # should be here and is not
    run: str  # of an arrow
    right: str  # its heads
    left: str
    crossing: str  # an arrow over a lifeline
    lost: str  # the head of an arrow that arrived nowhere
    fold: str
    joined_top: str  # events whose order is not known
    joined: str
    joined_end: str
    cursor: str
    bars: str
    here: str  # under the ribbon: the place on the screen
    mark: str
    ellipsis: str
    dot: str
    folded: str  # rows that can be opened
    unfolded: str
    done: str  # the user has seen it
    observed: str  # a span that a source covers
    plus_minus: str
    wire_high: str  # a line of the bus, two rows high
    wire_low: str
    wire_rise: tuple[str, str]  # upper and lower row
    wire_fall: tuple[str, str]
    wire_both: tuple[str, str]  # more than one edge
    wire_fold: str  # more time than its width says
    is_ascii: bool = False

    def clean(self, text: str) -> str:
        """Text from outside, printable with the characters of this set."""
        return printable(text, ascii_only=self.is_ascii)


UNICODE = Signs(
    lifeline="│",
    node="●",
    odd="▲",
    bad="✖",
    unseen="?",
    absent="○",
    run="─",
    right="▶",
    left="◀",
    crossing="┼",
    lost="╳",
    fold="┆",
    joined_top="╭",
    joined="│",
    joined_end="╰",
    cursor="▌",
    bars=" ▁▂▃▄▅▆▇█",
    here="▲",
    mark="◆",
    ellipsis="…",
    dot="·",
    folded="▸",
    unfolded="▾",
    done="✓",
    observed="━",
    plus_minus="±",
    wire_high="─",
    wire_low="─",
    wire_rise=("┌", "┘"),
    wire_fall=("┐", "└"),
    wire_both=("╥", "╨"),
    wire_fold="≈",
)
ASCII = Signs(
    lifeline="|",
    node="*",
    odd="^",
    bad="!",
    unseen="?",
    absent="o",
    run="-",
    right=">",
    left="<",
    crossing="+",
    lost="x",
    fold=":",
    joined_top="(",
    joined="(",
    joined_end="(",
    cursor=">",
    bars=" .:-=+*#@",
    here="^",
    mark="#",
    ellipsis="~",
    dot=".",
    folded="+",
    unfolded="-",
    done="v",
    observed="=",
    plus_minus="+-",
    wire_high="_",
    wire_low="_",
    wire_rise=(" ", "/"),
    wire_fall=(" ", "\\"),
    wire_both=(" ", "X"),
    wire_fold="~",
    is_ascii=True,
)


def signs_for(*, ascii_only: bool) -> Signs:
    """The set to draw with."""
    return ASCII if ascii_only else UNICODE

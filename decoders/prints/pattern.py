"""Line patterns: a regular expression whose named groups say what a line is made of.

The engine is the one of polars: it takes all lines of a block in one call, some three times as fast
as `re` line by line, and its time grows with the length of the text alone, so no pattern can hang
on an unlucky line. In return there is no look-around and no back-reference. What can still grow is
the pattern itself, by counted repeats in counted repeats; its size is limited.
"""

from __future__ import annotations

import re

import polars as pl

from decoders.errors import DescriptionError

STAMP_GROUPS = ("s", "ms", "us", "ns", "time")
HEAD = "_head"  # in our own patterns: everything before the text
MATCHED_CHARACTERS = 4096  # of a longer line only the beginning is matched
_LARGEST = 1000  # steps of a pattern with its counted repeats written out
_LONGEST = 2000  # characters of a pattern
_REPEAT = re.compile(r"\{(\d*)(,?)(\d*)\}")
_ATOM = re.compile(r"\\[pP]\{[^}]*\}|\\x\{[^}]*\}|\\.|\[\^?\]?(?:\\.|[^\]\\])*\]|.", re.DOTALL)
_MEND = (
    "Name the parts of a line with groups such as (?P<ms>\\d+), (?P<s>...), (?P<us>...), "
    "(?P<time>...), (?P<level>\\w+) and (?P<text>.*); look-around and back-references are not "
    "understood."
)


class LinePattern:
    """A checked line pattern.

    Args:
        source: the regular expression.

    Attributes:
        groups: its named groups.

    Raises:
        DescriptionError: if it is not understood, has no named group or is too large. The place is
            for the caller to say.
    """

    def __init__(self, source: str) -> None:
        self.source = source
        size = _size(source)
        if len(source) > _LONGEST or size > _LARGEST:
            raise DescriptionError(
                f"the line pattern is too large: {size} steps with its repeats written out",
                mend=f"Keep it under {_LARGEST} steps; use * or + where a count is not needed.",
            )
        try:
            groups = pl.Series([""]).str.extract_groups(source)
        except pl.exceptions.ComputeError as error:
            reason = str(error).strip().splitlines()[-1].removeprefix("error: ")
            reason = reason.removeprefix("regex error: ")
            raise DescriptionError(f"the line pattern is wrong: {reason}", mend=_MEND) from error
        names = list(groups.struct.fields)
        self.groups = tuple(name for name in names if not name.isdigit())
        if not self.groups:
            raise DescriptionError("the line pattern has no named group", mend=_MEND)

    def match(self, texts: pl.Series) -> pl.DataFrame:
        """The named groups of n texts as n rows; a group that took no part is null."""
        found = texts.str.extract_groups(self.source).struct.unnest()
        return found.select(self.groups)


def _size(source: str) -> int:
    """Steps of a pattern with counted repeats written out; 10^9 and more is cut off."""
    sizes = [0]  # of the groups that are open, outermost first
    last = 0  # of the last atom
    at = 0
    while at < len(source):
        repeat = _REPEAT.match(source, at)
        if repeat and (repeat[1] or repeat[3]):
            count = max(int((repeat[1] or "0")[:9]), int((repeat[3] or "0")[:9]), 1)
            sizes[-1] += last * (count - 1)
            last = min(last * count, 10**9)
            at = repeat.end()
            continue
        atom = _ATOM.match(source, at)
        at = atom.end() if atom else len(source)
        mark = atom[0] if atom else ""
        if mark == "(":
            sizes.append(1)
        elif mark == ")" and len(sizes) > 1:
            last = sizes.pop()
            sizes[-1] += last
        elif mark not in "*+?|":
            last = 1
            sizes[-1] += 1
    return min(sum(sizes), 10**9)

"""Printed lines that lost a part: told from the sentences that the log says again and again.

A sentence is a line with `#` for every number. Most lines of a log are of few sentences. A line of
no known sentence is a cut one when it has no stamp but largely is the beginning or the end of a
known one; or is the beginning of one and the end of another with the seam inside a word; or has a
stamp in its middle. A seam between words proves nothing: the sentence may just be said rarely.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

NUMBER = r"[ \t]*\d+"
_KNOWN_TIMES = 3  # said so often, a sentence is known
_MOST_KNOWN = 300
_MOST_TRIED = 5_000  # lines of no known sentence; where there are more, the log is free text
_KNOWN_SHARE = 0.5  # of the lines, below which the log is free text
_MOST_HEADS = 8
_LEAST_PART = (
    8  # characters of a known line, and half of all, that make an unstamped line a cut one
)
_NUMBERS = re.compile(NUMBER)


def sentences(texts: pl.Series) -> pl.Series:
    """Texts with `#` for every number and the blanks before it."""
    return texts.str.replace_all(NUMBER, "#")


def heads_of(lines: Sequence[tuple[str, str]]) -> list[str]:
    """What stands before the text in a log's lines, numbers as `#`, the commonest first.

    Args:
        lines: whole lines with the texts that were found in them.
    """
    found = Counter(
        _NUMBERS.sub("#", line[: len(line) - len(text)])
        for line, text in lines
        if text and line.endswith(text) and len(line) > len(text)
    )
    return [head for head, times in found.most_common(_MOST_HEADS) if times >= _KNOWN_TIMES]


class Forms:
    """The sentences of one log.

    Args:
        texts: String[n], what follows the stamps; of a line without a stamp all of it.
        stamped: bool[n].
        heads: what may stand before a text, as `heads_of` gives it; none where nothing does.
    """

    def __init__(
        self, texts: pl.Series, stamped: npt.NDArray[np.bool_], heads: Sequence[str]
    ) -> None:
        self._sentences = sentences(texts)
        self._stamped = stamped
        self._heads = tuple(heads) or ("",)
        said = self._sentences.filter(pl.Series(stamped)) if heads else self._sentences
        counts = said.value_counts(sort=True)
        counts = counts.filter((pl.col("count") >= _KNOWN_TIMES) & (counts.to_series() != ""))
        known = counts.to_series().to_list()[:_MOST_KNOWN]
        self._known = frozenset(known)
        share = int(counts["count"].sum()) / max(len(texts), 1)
        self._is_regular = share >= _KNOWN_SHARE
        whole = [head + sentence for head in self._heads for sentence in known]
        self._ahead = sorted(whole)
        self._behind = sorted(sentence[::-1] for sentence in whole)

    def cut(self) -> list[int]:
        """The rows of lines that lost a part, or are two in one."""
        if not self._is_regular or not self._known:
            return []
        odd = ~self._sentences.is_in(list(self._known)).to_numpy()
        if self._heads != ("",):
            odd |= ~self._stamped
        rows = np.flatnonzero(odd)
        if len(rows) > _MOST_TRIED:
            return []
        return [row for row in rows.tolist() if self._is_cut(row)]

    def _is_cut(self, row: int) -> bool:
        sentence, has_heads = self._sentences[row], self._heads != ("",)
        if not sentence:
            return False
        if not self._stamped[row] and has_heads:
            return max(self._fits(sentence)) >= max(_LEAST_PART, len(sentence) / 2)
        if has_heads and any(head.strip(" #") and head in sentence for head in self._heads):
            return True  # a second stamp
        head = self._heads[0]
        return self._seam_in_word(head + sentence, len(head))

    def _seam_in_word(self, line: str, head: int) -> bool:
        """Whether it is the beginning of a known line and the end of one, joined inside a word.

        Args:
            line: a sentence with its head.
            head: length of the head, in which no seam can be told.
        """
        ahead, behind = self._fits(line)
        size = len(line)
        if ahead == size and size > head + 1:  # the beginning of one
            return _goes_on(self._ahead, line)
        if ahead + behind < size or ahead <= head:
            return False
        seams = range(max(size - behind, head + 1), min(ahead, size - 1) + 1)
        return bool(seams) and all(self._splits_word(line, k) for k in seams)

    def _splits_word(self, line: str, at: int) -> bool:
        """Whether a seam there cut a word, in what was before it or in what was behind it."""
        return (
            _in_word(line[at - 1], line[at])
            or _goes_on(self._ahead, line[:at])
            or _goes_on(self._behind, line[: at - 1 : -1])
        )

    def _fits(self, line: str) -> tuple[int, int]:
        """How long the longest beginning and end of it are that known lines have too."""
        return _longest(self._ahead, line), _longest(self._behind, line[::-1])


def _in_word(one: str, other: str) -> bool:
    return one.isalnum() and other.isalnum()  # a number may have had a blank before it


def _goes_on(known: Sequence[str], part: str) -> bool:
    """Whether every line of a sorted list that begins so goes on inside a word."""
    at = bisect_left(known, part)
    found = 0
    while at < len(known) and known[at].startswith(part):
        following = known[at][len(part) : len(part) + 1]
        if not following or not _in_word(part[-1], following):
            return False
        found += 1
        at += 1
    return found > 0


def _longest(known: Sequence[str], line: str) -> int:
    """The longest beginning of a line that a sorted list of lines has too."""
    at = bisect_left(known, line)
    return max((_shared(k, line) for k in known[max(at - 1, 0) : at + 1]), default=0)


def _shared(one: str, other: str) -> int:
    size = min(len(one), len(other))
    return next((k for k in range(size) if one[k] != other[k]), size)

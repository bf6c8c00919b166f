"""Numbers in printed sentences: which there are, what they are called, and their unit.

Lines that are alike but for their numbers are one sentence. A number is called by the word before
it ("level 89.2 cm"), and has a unit where one stands behind it. Digits that are part of a word
(i2c, 2e) are no number. The name and the unit are guesses about what a person wrote; the values
are not.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import polars as pl

from console.timeline.alignment.series import NUMBER, words_before
from console.timeline.numbers.json_numbers import each_row
from console.timeline.numbers.number_series import LEAST_ROWS, MOST_KINDS, MOST_PATHS, NumericField
from console.timeline.numbers.units import unit_behind, unit_of_name

_NO_NAMES = {"in", "to", "of", "at", "is", "was", "by", "for", "after", "below", "above", "from"}
_GAP = "\x00"  # stands for a number; no text a person reads has it
_SPECIAL = re.compile(r"([\\.^$|?*+()\[\]{}&~#-])")
_WORDS = re.compile(r"[^\W\d_]\w*")
_TASTED = 16


def printed_fields(prints: pl.DataFrame) -> list[NumericField]:
    """The numbers in the sentences of every log, the most frequent sentences first.

    Args:
        prints: the table of that name.
    """
    sentences = each_row(prints["text"], pl.col("text").str.replace_all(NUMBER, _GAP))
    grouped = (
        prints.lazy()
        .select("source", "text", sentence=sentences)
        .filter(pl.col("sentence").str.contains(_GAP, literal=True))
        .group_by("source", "sentence", maintain_order=True)
        .agg(rows=pl.len(), texts=pl.col("text").head(_TASTED), last=pl.col("text").last())
        .filter(pl.col("rows") >= LEAST_ROWS)
        .sort("rows", descending=True, maintain_order=True)
        .head(MOST_KINDS)
        .collect()
    )
    found: list[NumericField] = []
    for source, sentence, rows, texts, last in grouped.iter_rows():
        found += _of_sentence(source, sentence, rows, [*texts, last])
    return found


def _of_sentence(
    source: str, sentence: str, rows: int, texts: Sequence[str]
) -> Iterator[NumericField]:
    parts = sentence.split(_GAP)
    for place in range(min(len(parts) - 1, MOST_PATHS)):
        before, after = parts[place], parts[place + 1]
        unit = unit_behind(after, number_follows=place + 2 < len(parts))
        if _is_word(before[-1:]) or (_is_word(after[:1]) and not unit):
            continue
        pattern = _pattern(parts, place)
        values = {match[1] for text in texts if (match := re.search(pattern, text))}
        yield NumericField(
            table="prints",
            party=source,
            subject=sentence.replace(_GAP, "#"),
            path=f"text.{place}",
            name=_name(parts, place),
            unit=unit or unit_of_name(_name(parts, place)),
            rows=rows,
            varies=len(values) > 1,
            selects=(("source", source),),
            pattern=pattern,
        )


def _pattern(parts: Sequence[str], place: int) -> str:
    """The sentence as a pattern, one number of it as its group."""
    literal = [_SPECIAL.sub(r"\\\1", part) for part in parts]
    numbers = [f"({NUMBER})" if k == place else NUMBER for k in range(len(parts) - 1)]
    woven = [text for pair in zip(literal, [*numbers, ""], strict=True) for text in pair]
    return "^" + "".join(woven) + "$"


def _is_word(char: str) -> bool:
    return char.isalnum() or char == "_"


def _name(parts: Sequence[str], place: int) -> str:
    """The word before a number, the two words where the last says nothing, else those after it."""
    text = re.sub(r"^\w+", "", parts[place]) if place else parts[0]  # of "2e at 3" no "e"
    [word] = words_before(text.replace("#", "") + "#")
    if word.lower() in _NO_NAMES:
        word = " ".join(_WORDS.findall(text)[-2:])
    if not word:
        word = " ".join(_WORDS.findall(parts[place + 1])[:3])
    return word or f"number {place + 1}"

"""The sheet of a print: its text, with the numbers that differ from the last such line lit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from typing import Any

import numpy as np
import polars as pl

from console.timeline.events import BAD_LEVELS, ODD_LEVELS
from console.timeline.sheet.before import Mask, Past, Rows, good_before
from console.timeline.sheet.compare import change_of
from console.timeline.sheet.lines import (
    MOST_TEXT,
    Body,
    Change,
    Field,
    Heading,
    Line,
    Tone,
    Words,
    clipped,
)
from console.timeline.sheet.run import Row, Run, ago
from console.timeline.sheet.tree import tree_lines
from console.timeline.times import since_start
from decoders.messages.json_text import NOT_JSON, value_of

NUMBER = r"-?[0-9]+(?:\.[0-9]+)?"
MOST_NUMBERS = 20
WIDTH_PLAY = 12  # characters by which one number of a sentence may be longer or shorter
LONGEST = 4096  # characters of a line that is compared with others
_NUMBERS = re.compile(NUMBER)
_NAME = re.compile(r"([^\W\d_][\w.]*)[\s=:#]*\Z")
_WALL_NS = 978_307_200 * 10**9  # 2001: smaller stamps count from some start instead
_EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)  # noqa: UP017


def print_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of a print, row `at` of its table."""
    text, prints = str(row["text"]), run.tables["prints"]
    past = _past(prints, at, row)
    good = prints.row(past.rows[0], named=True) if past.rows else None
    before = [_numbers(str(prints["text"][r])) for r in past.rows]
    numbers = _number_lines(text, before, past.steps)
    level = row["level"] or "none told"
    lit = tuple(span for span, line in numbers if line.change.is_lit and span[1] <= MOST_TEXT)
    tone = Tone.BAD if level in BAD_LEVELS else Tone.PLAIN
    lines: list[Line] = [Words(clipped(text), Tone.WARNING if level in ODD_LEVELS else tone, lit)]
    lines += [line for _, line in numbers[:MOST_NUMBERS]]
    lines += [Heading("as it came"), Field("level", level)]
    if row["native_ns"] is not None:
        lines.append(Field("own stamp", native_text(int(row["native_ns"]))))
    lines.append(Field("length", f"{len(text.encode('utf-8', 'replace')):,} bytes"))
    lines += _fields(row, [prints["fields"][r] for r in past.rows], past.steps)
    compared = past.none_words("line of this sentence")
    if good is not None:
        compared = f"beside the last like it, {_since(row, good)}"
    problems = ("damaged: bytes of it were lost or changed",) if row["damaged"] else ()
    return Body(f"{row['source']} printed", tuple(lines), problems, compared, None, row["source"])


def _since(row: Row, good: Row) -> str:
    if row["t_ns"] is None or good["t_ns"] is None:
        return "before"
    return ago(row["t_ns"], good["t_ns"])


def sentence(text: str) -> str:
    """A line with its numbers replaced."""
    return _NUMBERS.sub("#", text)


def _past(prints: pl.DataFrame, at: int, row: Row) -> Past:
    """Earlier lines of the source that are the same sentence."""
    text = str(row["text"])
    if len(text) > LONGEST:
        return Past((), (), 0, is_whole=True)
    wanted, size = sentence(text), len(text.encode("utf-8", "replace"))
    head = wanted.partition("#")[0]
    play = WIDTH_PLAY * wanted.count("#")
    same = (pl.col("source") == row["source"]) & pl.col("text").str.starts_with(head)
    same &= pl.col("text").str.len_bytes().is_between(size - play, size + play)

    def refine(rows: Rows) -> Mask:
        found = prints["text"].gather(pl.Series(rows)).str.replace_all(NUMBER, "#") == wanted
        mask: Mask = found.to_numpy().astype(np.bool_)
        return mask

    return good_before(prints, at, same, ~pl.col("damaged"), refine)


def _numbers(text: str) -> list[int | float]:
    return [_number(found) for found in _NUMBERS.findall(text)]


def _number(text: str) -> int | float:
    return float(text) if "." in text else int(text[:300])  # longer ones are no counters


def _number_lines(
    text: str, before: Sequence[Sequence[int | float]], steps: Sequence[int]
) -> list[tuple[tuple[int, int], Field]]:
    """Each number of the line, by the word before it."""
    lines: list[tuple[tuple[int, int], Field]] = []
    for k, found in enumerate(_NUMBERS.finditer(text)):
        if k == MOST_NUMBERS:
            break
        named = _NAME.search(text, max(0, found.start() - 40), found.start())
        value = _number(found[0])
        then = [numbers[k] for numbers in before]
        change = change_of(value, then, steps)
        was = str(then[0]) if change in (Change.DIFFERS, Change.STEPS) else ""
        name = named[1] if named else f"number {k + 1}"
        lines.append((found.span(), Field(name, clipped(found[0], 40), change=change, was=was)))
    return lines


def _fields(row: Row, before: Sequence[str | None], steps: Sequence[int]) -> list[Line]:
    """Fields that the bench file's pattern found in the line."""
    value = value_of((row["fields"] or "").encode())
    if value is NOT_JSON or not value:
        return []
    earlier: list[Any] = [value_of((text or "{}").encode()) for text in before]
    return [Heading("fields"), *tree_lines(value, earlier, steps)]


def native_text(native_ns: int) -> str:
    """A log's own stamp: the date and time, or since the board's own start."""
    if native_ns >= _WALL_NS:
        when = _EPOCH + timedelta(microseconds=native_ns // 1000)
        return f"{when:%Y-%m-%d %H:%M:%S.%f} UTC"
    return since_start(native_ns, 1_000)

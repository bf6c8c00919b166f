"""Cells of one record of delimited text, and which delimiter a file uses (RFC 4180 section 2)."""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice

from decoders.captures.delimited_digits import CLOCK, DATE, decimal_of, unit_of
from decoders.captures.delimited_levels import LEVEL_WORDS, NO_VALUE, hex_of

DELIMITERS = (
    "\t",
    ";",
    ",",
    "|",
    " ",
)  # in order of preference; a blank stands for any run of them
_LINE_END = re.compile(r"\r\n|\n|\r")
_WORDS = re.compile(r"\S+")
_HEADER_CELL = re.compile(
    r"\s*(.*?)\s*(?:\[(.*?)\]|\((.*?)\)|[/,_](.*?)|\bin\b(.*?))?\s*", re.DOTALL
)
_TIME_WORDS = frozenset(
    ["time", "timestamp", "t", "times", "stamp", "x-axis", "x", "seconds", "second"]
)
_SAMPLE_WORDS = frozenset(
    ["sample", "samples", "index", "n", "no", "no.", "nr", "nr.", "#", "point", "points", "row"]
)
_TIME_START = re.compile(r"time\b|timestamp\b|t ?[\[(/_]|elapsed|relative time|absolute time", re.I)
_SAMPLE_START = re.compile(r"sample(s|_| |$)|index$|point ", re.I)
_DELIMITER_LINES = 500  # looked at for the delimiter
_MOST_QUOTED_LINES = 8  # a quoted cell that runs over more lines is an unclosed quote


@dataclass(frozen=True, slots=True)
class Record:
    """One record of the head of a file: mostly one line."""

    line: int  # from 1
    begin: int  # offset of its first character
    end: int  # offset behind its line end
    text: str  # without the line end


def quote_is_open(text: str) -> bool:
    """Whether a record goes on behind a line break inside quotes."""
    return text.count('"') % 2 == 1


def records_of(text: str) -> Iterator[Record]:
    """The records of a text; what follows the last line end counts as one when not empty."""
    lines = _lines_of(text)
    ahead: deque[Record] = deque()  # lines that were looked at, and joined nothing
    while (line := ahead.popleft() if ahead else next(lines, None)) is not None:
        if quote_is_open(line.text) and not is_comment(line.text, ""):
            ahead.extend(islice(lines, _MOST_QUOTED_LINES - 1 - len(ahead)))
            line, taken = _joined([line, *ahead], text)
            for _ in range(taken - 1):
                ahead.popleft()
        yield line


def _lines_of(text: str) -> Iterator[Record]:
    number, begin = 0, 0
    for number, match in enumerate(_LINE_END.finditer(text), 1):
        yield Record(number, begin, match.end(), text[begin : match.start()])
        begin = match.end()
    if begin < len(text):
        yield Record(number + 1, begin, len(text), text[begin:])


def _joined(lines: Sequence[Record], text: str) -> tuple[Record, int]:
    first = lines[0]
    quotes = 0
    for count, line in enumerate(lines, 1):
        quotes += line.text.count('"')
        if quotes % 2 == 0:
            whole = text[first.begin : line.begin + len(line.text)]
            return Record(first.line, first.begin, line.end, whole), count
    return first, 1


def split_cells(text: str, delimiter: str) -> list[tuple[int, str]]:
    """Cells of a record as (place of the first character, text without quotes and blanks)."""
    if delimiter == " ":
        return [(word.start(), word[0].strip('"')) for word in _WORDS.finditer(text)]
    if '"' in text:
        return list(_quoted_cells(text, delimiter))
    cells, begin = [], 0
    for cell in text.split(delimiter):
        cells.append((begin, cell.strip()))
        begin += len(cell) + 1
    return cells


def _quoted_cells(text: str, delimiter: str) -> Iterator[tuple[int, str]]:
    begin = 0
    while begin <= len(text):
        lead = begin + len(text[begin:]) - len(text[begin:].lstrip(" "))
        close = lead
        if text[lead : lead + 1] == '"':
            close = text.find('"', lead + 1)
            while close >= 0 and text[close + 1 : close + 2] == '"':
                close = text.find('"', close + 2)
        stop = text.find(delimiter, max(close, begin)) if close >= 0 else -1
        stop = len(text) if stop < 0 else stop
        if close > lead:
            yield begin, text[lead + 1 : close].replace('""', '"').strip()
        else:
            yield begin, text[begin:stop].strip()
        begin = stop + 1


def is_comment(text: str, delimiter: str) -> bool:
    """Whether a line is a remark: # or ; first (a ; only where it delimits nothing)."""
    lead = text.lstrip()[:1]
    return lead == "#" or (lead == ";" and delimiter != ";")


def header_parts(cell: str) -> tuple[str, str]:
    """Name and unit of a header cell: `Time [s]`, `Time (ms)`, `time_ns`, `Channel 1 / V`."""
    match = _HEADER_CELL.fullmatch(cell)
    if match is not None:
        unit = next((group for group in match.groups()[1:] if group is not None), "").strip()
        if unit and (unit_of(unit) or is_volt_unit(unit)):
            return match[1].strip(), unit
    return cell.strip(), ""


def is_volt_unit(word: str) -> bool:
    """Whether a header unit says volts."""
    return word.strip().lower() in ("v", "mv", "volt", "volts", "uv")


@lru_cache(maxsize=1024)
def is_time_name(cell: str) -> bool:
    """Whether a header cell names a column of times."""
    name, unit = header_parts(cell)
    if name.lower() in _TIME_WORDS or _TIME_START.match(cell.strip()):
        return True
    return bool(unit_of(name)) and len(name) > 1 and not unit


@lru_cache(maxsize=1024)
def is_sample_name(cell: str) -> bool:
    """Whether a header cell names a column of sample numbers."""
    return cell.strip().lower() in _SAMPLE_WORDS or bool(_SAMPLE_START.match(cell.strip()))


@lru_cache(maxsize=4096)
def is_time_value(cell: str) -> bool:
    """Whether a cell may be a time: a number, hh:mm:ss or ISO 8601."""
    if not cell or cell[0] not in "+-.,0123456789":
        return False
    return bool(decimal_of(cell) or CLOCK.fullmatch(cell) or DATE.fullmatch(cell))


@lru_cache(maxsize=4096)
def is_value(cell: str) -> bool:
    """Whether a cell may stand in a row of data."""
    if is_time_value(cell) or cell.lower() in LEVEL_WORDS or cell.lower() in NO_VALUE:
        return True
    return bool(cell) and cell[0].isdigit() and hex_of(cell) is not None


def is_data(cells: Sequence[str]) -> bool:
    """Whether cells look like a row of data: a possible time, and values for at least half."""
    filled = [cell for cell in cells if cell]
    if not any(map(is_time_value, filled)) or is_header(cells):
        return False
    return 2 * sum(map(is_value, filled)) >= len(filled)


def is_header(cells: Sequence[str]) -> bool:
    """Whether cells name a column of times or sample numbers."""
    names = [cell for cell in cells if cell and cell[0] not in "+-.,0123456789"]
    if len(names) < len([cell for cell in cells if cell]):  # t, x, n may be values gone wrong
        names = [name for name in names if len(name) > 2]
    return any(is_time_name(name) or is_sample_name(name) for name in names)


def is_number(cell: str) -> bool:
    """Whether a cell is a number with point or comma."""
    return decimal_of(cell) is not None


def is_units(cells: Sequence[str]) -> bool:
    """Whether cells are a line of units (s,V,V): at least one unit, and nothing else."""
    bare = [cell.strip("[]() ") for cell in cells]
    return any(bare) and all(not cell or unit_of(cell) or is_volt_unit(cell) for cell in bare)


def usual_length(rows: Sequence[Sequence[str]]) -> int:
    """The number of cells most rows have; 0 without any row."""
    counts = Counter(map(len, rows))
    return counts.most_common(1)[0][0] if counts else 0


def sniffed_delimiter(texts: Sequence[str]) -> str:
    """The delimiter under which most cells are values in rows of one length; "" for none."""
    best, best_score = "", 0.0
    texts = texts[:_DELIMITER_LINES]
    for delimiter in DELIMITERS:
        rows = [
            [cell for _, cell in split_cells(text, delimiter)]
            for text in texts
            if not is_comment(text, delimiter)
        ]
        data = [row for row in rows if len(row) > 1 and is_data(row)]
        count = usual_length(data)
        fair = [row for row in data if len(row) == count]
        score = sum(
            sum(map(is_value, filter(None, row))) / len(list(filter(None, row))) for row in fair
        )
        if count > 1 and score > best_score + 1e-9:
            best, best_score = delimiter, score
    return best

"""The shape of a line: which of its bytes may vary, and what each of those is worth.

Lines of one shape have equal length and equal bytes everywhere but in digits (and 0/1 levels). So
one look at the first line settles how to read a million of them as a byte matrix
(delimited_matrix). A shape is made only for what the careful reader (delimited_rows) would read
in just the same way; for anything else there is none.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from decoders.captures.delimited_digits import INT64_MAX, TimeColumn, time_ns
from decoders.captures.delimited_layout import Layout
from decoders.captures.delimited_levels import LevelColumn, has_no_value, level_of

_DECIMAL = re.compile(rb"([+-]?)([0-9]*)(?:[.,]([0-9]*))?(?:[eE]([+-]?[0-9]{1,3}))?")
_CLOCK = re.compile(rb"(-?)[0-9]{1,4}:([0-5])([0-9]):([0-5])([0-9])(?:[.,]([0-9]+))?")
_PLAIN = re.compile(rb"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+")
_QUOTED = re.compile(rb' *"([^"]*)" *')
_WORD = re.compile(rb"\S+")
_LONGEST_LINE = 512
_MOST_DIGITS = 30
_TOP_POWER = 18


@dataclass(frozen=True, slots=True)
class Digit:
    """One digit of the time: its place in the line and its power of ten (ns, or samples)."""

    at: int
    power: int


@dataclass(frozen=True, slots=True)
class LevelBytes:
    """Bytes that give bits of the level word."""

    kind: str  # "bit", "volts", "hex", "number"
    at: tuple[int, ...]  # places of the digits
    bit: int
    limit: int = 0  # volts: digits at or above (below, when negative) are high
    negative: bool = False


@dataclass(frozen=True, slots=True)
class Shape:
    """What the lines like one line have in common."""

    line: bytes  # with its line end
    most: bytes  # most that each byte may lie above the template: 9 for digits, 0 for fixed bytes
    digits: tuple[Digit, ...]  # of the time, the most worth first
    below: tuple[int, ...]  # places of digits finer than 1 ns; the first decides on rounding
    negative: bool
    rest_ns: int  # the part of the time that stands in fixed bytes
    levels: tuple[LevelBytes, ...]
    word: int  # bits of the level word that stand in fixed bytes
    has_time: bool  # False: rows are numbered
    carried: int  # bits of the level word whose cells are empty: as in the row before
    empty: int  # how many cells of levels are empty

    @property
    def template(self) -> bytes:
        """The line with every digit that may vary as 0."""
        return bytes(48 if most else byte for byte, most in zip(self.line, self.most, strict=True))


class _Sketch:
    """A shape in the making."""

    def __init__(self, line: bytes) -> None:
        self.line = line
        self.most = bytearray(len(line))
        self.digits: list[Digit] = []
        self.below: list[int] = []
        self.negative = False
        self.rest_ns = 0
        self.levels: list[LevelBytes] = []
        self.word = 0
        self.carried = 0
        self.empty = 0

    def vary(self, places: tuple[int, ...], most: int = 9) -> None:
        for at in places:
            self.most[at] = most


def shape_of(line: bytes, layout: Layout) -> Shape | None:
    """The shape of a line with its line end, or None when it must be read with care."""
    end = len(line) - (2 if line.endswith(b"\r\n") else 1)
    if len(line) > _LONGEST_LINE or end < 1 or b"\r" in line[:end]:
        return None
    lead = line[:end].lstrip()[:1]
    if lead in (b"#", b"") or (lead == b";" and layout.table.delimiter != ";"):
        return None
    delimiter = layout.table.delimiter.encode()
    spans = (_quoted_spans if b'"' in line else _spans)(line[:end], delimiter)
    count = layout.table.columns
    if len(spans) == count + 1 and spans[-1][0] == spans[-1][1]:
        spans.pop()
    if len(spans) != count:
        return None
    sketch = _Sketch(line)
    special = {column.index for column in layout.levels} | {layout.time.index}
    for index, (begin, stop) in enumerate(spans):
        if index not in special:
            sketch.vary(tuple(k for k in range(begin, stop) if 48 <= line[k] <= 57))
    index_ = layout.time.index
    if index_ is not None and not _time(sketch, *spans[index_], layout.time):
        return None
    if not all(_level(sketch, *spans[column.index], column) for column in layout.levels):
        return None
    return Shape(
        line,
        bytes(sketch.most),
        tuple(sketch.digits),
        tuple(sketch.below),
        sketch.negative,
        sketch.rest_ns,
        tuple(sketch.levels),
        sketch.word,
        index_ is not None,
        sketch.carried,
        sketch.empty,
    )


def _spans(line: bytes, delimiter: bytes) -> list[tuple[int, int]]:
    if delimiter == b" ":
        return [match.span() for match in _WORD.finditer(line)]
    spans, begin = [], 0
    for cell in line.split(delimiter):
        lead = len(cell) - len(cell.lstrip())
        spans.append((begin + lead, begin + max(lead, len(cell.rstrip()))))
        begin += len(cell) + len(delimiter)
    return spans


def _quoted_spans(line: bytes, delimiter: bytes) -> list[tuple[int, int]]:
    """Spans inside the quotes; none where a quote stands inside a cell, or blanks delimit."""
    spans: list[tuple[int, int]] = []
    begin = 0
    while delimiter != b" ":
        match = _QUOTED.match(line, begin)
        stop = match.end() if match is not None else line.find(delimiter, begin)
        stop = len(line) if stop < 0 else stop
        at, end = match.span(1) if match is not None else (begin, stop)
        if b'"' in line[at:end] or line[stop : stop + 1] not in (delimiter, b""):
            return []
        cell = line[at:end]
        lead = len(cell) - len(cell.lstrip())
        spans.append((at + lead, at + max(lead, len(cell.rstrip()))))
        if stop == len(line):
            return spans
        begin = stop + 1
    return []


def _time(sketch: _Sketch, begin: int, stop: int, column: TimeColumn) -> bool:
    if column.kind == "clock":
        return _clock(sketch, begin, stop)
    if column.kind == "date":
        return _date(sketch, begin, stop, column)
    match = _DECIMAL.fullmatch(sketch.line, begin, stop)
    if match is None:
        return False
    sign, whole, fraction, exponent = match.groups()
    fraction = fraction or b""
    count = len(whole) + len(fraction)
    if not 0 < count <= _MOST_DIGITS or abs(int(exponent or 0)) > 30:
        return False
    unit = column.unit_power if column.kind == "decimal" else 0
    places = [*range(match.start(2), match.end(2))]
    places += range(match.start(3), match.end(3)) if fraction else []
    top = int(exponent or 0) + unit + len(whole) - 1
    if column.kind == "sample" and top - count + 1 < 0:
        return False
    sketch.negative = sign == b"-"
    if column.kind == "sample" and 10 ** (top + 1) * column.period_ns > INT64_MAX // 4:
        return False
    return _place_digits(sketch, places, top)


def _place_digits(sketch: _Sketch, places: list[int], top: int) -> bool:
    """Digits of falling powers from `top`; those finer than 1 ns only round.

    Digits worth 10**18 ns and more stand fixed, so that no time of the shape leaves 64 bits.
    """
    for k, at in enumerate(places):
        power, digit = top - k, sketch.line[at] - 48
        if power >= _TOP_POWER:
            sketch.rest_ns += digit * 10**power
        elif power >= 0:
            sketch.digits.append(Digit(at, power))
            sketch.vary((at,))
        elif top >= -1:
            sketch.below.append(at)
            sketch.vary((at,))
        elif digit:
            return False  # finer than 0.1 ns: the first of these digits does not decide
    return bool(sketch.rest_ns <= 8 * 10**_TOP_POWER)


def _clock(sketch: _Sketch, begin: int, stop: int) -> bool:
    """hh:mm:ss.f: what changes by the second varies, hours and tens stand fixed."""
    match = _CLOCK.fullmatch(sketch.line, begin, stop)
    if match is None:
        return False
    sketch.negative = bool(match[1])
    whole = time_ns(TimeColumn(0, "clock"), sketch.line[begin : match.end(5)].decode())
    if whole is None:
        return False
    sketch.rest_ns = abs(whole[0]) - int(match[5]) * 10**9
    places = [match.start(5), *(range(*match.span(6)) if match[6] else [])]
    return _place_digits(sketch, places, 9)


def _date(sketch: _Sketch, begin: int, stop: int, column: TimeColumn) -> bool:
    """ISO 8601: the last digit of the seconds and the fraction vary, all else stands fixed."""
    line = sketch.line
    colon = line.find(b":", begin, stop)
    if colon < 0:
        return False
    tail = re.compile(rb":[0-5][0-9]:[0-5]([0-9])(?:[.,]([0-9]+))?").match(line, colon, stop)
    got = time_ns(column, line[begin:stop].decode("ascii", "replace"))
    if tail is None or got is None or got[0] < 0:
        return False
    places = [tail.start(1), *(range(*tail.span(2)) if tail[2] else [])]
    nothing = bytearray(line)
    for at in places:
        nothing[at] = 48
    rest = time_ns(column, bytes(nothing[begin:stop]).decode("ascii", "replace"))
    if rest is None or rest[0] < 0:
        return False
    sketch.rest_ns = rest[0]
    return _place_digits(sketch, places, 9)


def _level(sketch: _Sketch, begin: int, stop: int, column: LevelColumn) -> bool:
    cell = sketch.line[begin:stop]
    if not cell:
        sketch.carried |= ((1 << column.width) - 1) << column.bit
        sketch.empty += 1
        return True
    text = cell.decode("utf-8", "replace")
    if has_no_value(text):
        return False
    value = level_of(column, text)
    if value is None:
        return False
    if column.kind == "hex":
        return _hex(sketch, begin, stop, column)
    plain = _PLAIN.fullmatch(cell.lstrip(b"+-")) is not None and len(cell) <= 16
    if column.kind == "volts" and plain:
        return _volts(sketch, begin, stop, column)
    if column.kind == "number" and len(cell) == 1 and column.width >= 4:
        sketch.vary((begin,))
        sketch.levels.append(LevelBytes("number", (begin,), column.bit))
        return True
    ones = [k for k in range(begin, stop) if sketch.line[k] == 49]
    one_digit = plain and cell[:1] in b"01" and cell[1:2] in (b"", b".", b",")
    if column.kind == "logic" and one_digit and all(at == begin for at in ones):  # 0, 1, 0.0, 1.00
        sketch.vary((begin,), 1)
        sketch.levels.append(LevelBytes("bit", (begin,), column.bit))
        return True
    sketch.word |= value << column.bit
    return True


def _hex(sketch: _Sketch, begin: int, stop: int, column: LevelColumn) -> bool:
    cell = sketch.line[begin:stop]
    lead = 2 if cell[:2] in (b"0x", b"0X") else 0
    trail = cell[-1:] in b"hH"
    places = tuple(range(begin + lead, stop - trail))
    if not places or 4 * len(places) > column.width:
        return False
    sketch.vary(places, 54)  # 0..9 and A..F, a..f; the matrix looks closer
    sketch.levels.append(LevelBytes("hex", places, column.bit))
    return True


def _volts(sketch: _Sketch, begin: int, stop: int, column: LevelColumn) -> bool:
    cell = sketch.line[begin:stop]
    if cell[:1] in b"+-" and len(cell) < 2:
        return False
    places = tuple(k for k in range(begin, stop) if 48 <= sketch.line[k] <= 57)
    if len(places) > 15:
        return False
    mark = max(cell.find(b"."), cell.find(b","))
    decimals = len(cell) - mark - 1 if mark >= 0 else 0
    limit = column.threshold * Fraction(10) ** decimals
    negative = cell[:1] == b"-"
    edge = floor(-limit) if negative else ceil(limit)
    sketch.vary(places)
    sketch.levels.append(LevelBytes("volts", places, column.bit, edge, negative))
    return True

"""A moment of a run as a person writes it, read into ns on the common axis.

Understood are, with spaces anywhere between their parts:

- `34:07.9`, `1:02:03.5`: since the start of the run; `90s`, `2.5 min` too.
- `+1.5s`, `-200ms`, `+1:30`: from here.
- `50 %`: of the run's length.
- `09:12:03`, `2026-11-25T09:12:03.5Z`: the date and time of a source that has them, in UTC where no
  zone is said. A time of day with three parts counts from the run's start where the run is so long
  and its first part has no leading zero; else it is the wall clock's.
- `mark 2`, `mark cap jammed`: a mark by its number in time or by the beginning of its note.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from console.timeline.clocks import ClockMap, ClockPiece, mapped_ns
from console.timeline.times import since_start
from decoders.durations import UNITS_NS, duration_ns
from decoders.errors import DescriptionError, Place
from decoders.messages.instants import Instants

PLACE = "time"  # the name errors have for where the text stands
DAY_NS = 86_400 * 10**9
_YEAR_2001_NS = 978_307_200 * 10**9  # a native time above this is the date and time of day

_CLOCK = re.compile(r"([+-]?)\s*(?:(\d{1,4}):)?(\d{1,4}):(\d\d)(?:[.,](\d{1,9}))?", re.ASCII)
_PART = re.compile(r"(\d+(?:[.,]\d+)?)\s*%", re.ASCII)
_LENGTH = re.compile(r"([+-]?)\s*([\d.,]+\s*[a-zA-Zµμ]+)", re.ASCII)
_DATE = re.compile(r"\d{4}-\d\d-\d\d")
_FORMS = "Write 34:07.9, +1.5s, -200ms, 50 %, 2026-11-25T09:12:03Z or mark 2."


@dataclass(frozen=True, slots=True)
class Wall:
    """A piece of a clock that stamps by the date and time of day."""

    piece: ClockPiece

    def common_ns(self, wall_ns: int) -> int:
        """A date and time, in ns since 1970, on the common axis."""
        return int(mapped_ns(np.array([wall_ns], np.int64), self.piece)[0])

    def wall_ns(self, t_ns: int) -> int:
        """The date and time of a moment on the axis, in ns since 1970; exact to 1 ns."""
        guess = t_ns - self.piece.offset_ns
        for _ in range(4):  # the drift is below 1e-3: each step leaves a thousandth of the error
            guess += t_ns - self.common_ns(guess)
        return guess


@dataclass(frozen=True, slots=True)
class Around:
    """What a moment may be told by. Times in ns on the common axis."""

    start_ns: int
    end_ns: int
    here_ns: int
    marks: Sequence[tuple[int, str]] = ()  # moment and note, in order of time
    walls: Sequence[Wall] = ()


def walls_of(clocks: Mapping[str, ClockMap]) -> list[Wall]:
    """The pieces of a run's clocks that know the date and time of day, the best known first."""
    found = [
        piece
        for clock in clocks.values()
        for piece in clock.pieces
        if piece.is_aligned and piece.from_ns - piece.offset_ns > _YEAR_2001_NS
    ]
    return [Wall(piece) for piece in sorted(found, key=lambda p: p.band_ns or 0)]


def moment(text: str, around: Around) -> int:
    """The moment that a text names, in ns on the common axis, within the run.

    Raises:
        DescriptionError: if it names none, or one outside the run.
    """
    text = text.strip()
    word, _, rest = text.partition(" ")
    if word.lower() in ("mark", "m") or text.startswith("#"):
        return _mark(rest.strip() if not text.startswith("#") else text[1:].strip(), around)
    if found := _PART.fullmatch(text):
        return _part(Decimal(found[1].replace(",", ".")), around)
    if found := _CLOCK.fullmatch(text):
        return _within(_clock(found, around), text, around)
    if _DATE.match(text):
        return _within(_date(text, around), text, around)
    if found := _LENGTH.fullmatch(text):
        return _within(_length(found, around), text, around)
    if re.fullmatch(r"[+-]?[\d.,]+", text):
        raise _wrong(f"{text} of what", f"With a unit: {text}s, {text}ms; or {text} %.")
    raise _wrong(f"{text!r} is no time" if text else "a time is wanted", _FORMS)


def _length(found: re.Match[str], around: Around) -> int:
    try:
        length_ns = duration_ns(found[2].replace(",", "."))
    except ValueError as error:
        units = ", ".join(u for u in UNITS_NS if u.isascii())
        raise _wrong(f"{found[2]!r} is no length of time", f"Units: {units}.") from error
    if not found[1]:
        return around.start_ns + length_ns
    return around.here_ns + (length_ns if found[1] == "+" else -length_ns)


def _clock(found: re.Match[str], around: Around) -> int:
    hours, minutes, seconds = int(found[2] or 0), int(found[3]), int(found[4])
    if seconds > 59 or (found[2] and minutes > 59):
        raise _wrong(f"{found[0]!r} is no time", "Minutes and seconds go to 59.")
    fraction_ns = int((found[5] or "").ljust(9, "0"))
    since_ns = (hours * 3600 + minutes * 60 + seconds) * 10**9 + fraction_ns
    if found[1]:
        return around.here_ns + (since_ns if found[1] == "+" else -since_ns)
    leads_with_zero = found[2] is not None and len(found[2]) > 1 and found[2].startswith("0")
    is_in_run = around.start_ns + since_ns <= around.end_ns
    if found[2] and around.walls and since_ns < DAY_NS and (leads_with_zero or not is_in_run):
        return _time_of_day(since_ns, found[0], around)
    return around.start_ns + since_ns


def _time_of_day(since_midnight_ns: int, text: str, around: Around) -> int:
    """The first such time of day in the run, by the wall clock known best."""
    wall = around.walls[0]
    first, last = wall.wall_ns(around.start_ns), wall.wall_ns(around.end_ns)
    day = first - first % DAY_NS
    for at in (day + since_midnight_ns, day + DAY_NS + since_midnight_ns):
        if first <= at <= last:
            return wall.common_ns(at)
    span = f"{_time_text(first)} to {_time_text(last)}"
    raise _wrong(f"{text} is outside the run", f"By the wall clock it goes from {span} UTC.")


def _time_text(wall_ns: int) -> str:
    seconds = wall_ns % DAY_NS // 10**9
    return f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"


def _date(text: str, around: Around) -> int:
    if not around.walls:
        raise _wrong(
            "no source of this run knows the date", "Write the time since its start, as 34:07.9."
        )
    wall_ns = Instants().instant_ns(f'"{text}"'.encode())
    if wall_ns is None:
        raise _wrong(f"{text!r} is no date and time", "Write it as 2026-11-25T09:12:03.5Z.")
    for wall in around.walls:
        t_ns = wall.common_ns(wall_ns)
        if wall.piece.from_ns <= t_ns <= wall.piece.until_ns:
            return t_ns
    return around.walls[0].common_ns(wall_ns)


def _part(percent: Decimal, around: Around) -> int:
    if percent > 100:
        raise _wrong(f"{percent} % is behind the end", "The run goes from 0 % to 100 %.")
    return around.start_ns + int((around.end_ns - around.start_ns) * percent / 100)


def _mark(name: str, around: Around) -> int:
    marks = list(around.marks)
    if not marks:
        raise _wrong("there are no marks yet", _FORMS)
    if name.isdecimal() and 1 <= int(name) <= len(marks):
        return marks[int(name) - 1][0]
    wanted = name.casefold()
    notes = [(t_ns, note.casefold()) for t_ns, note in marks]
    for fits in (
        [t for t, note in notes if wanted and note == wanted],
        [t for t, note in notes if wanted and note.startswith(wanted)],
        [t for t, note in notes if wanted and wanted in note],
    ):
        if fits:
            return fits[0]
    told = ", ".join(f"{k + 1} {note}".rstrip() for k, (_, note) in enumerate(marks[:9]))
    raise _wrong(f"no mark {name!r}" if name else "which mark", f"Marks: {told}.")


def _within(t_ns: int, text: str, around: Around) -> int:
    if around.start_ns <= t_ns <= around.end_ns:
        return t_ns
    end = since_start(around.end_ns - around.start_ns)
    where = "before the start" if t_ns < around.start_ns else "behind the end"
    raise _wrong(f"{text} is {where} of the run", f"It goes from {since_start(0)} to {end}.")


def _wrong(message: str, mend: str) -> DescriptionError:
    return DescriptionError(message, place=Place(PLACE), mend=mend)

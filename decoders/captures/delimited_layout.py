"""What the columns of a delimited capture are: the time, its unit, and the levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from decoders.captures.delimited_cells import is_sample_name, is_time_name
from decoders.captures.delimited_channels import Options, columns_found, filled, level_columns
from decoders.captures.delimited_digits import (
    CLOCK,
    DATE,
    UNIT_POWERS,
    TimeColumn,
    decimal_of,
    fraction_of,
    time_ns,
    unit_of,
)
from decoders.captures.delimited_levels import (
    LevelColumn,
    level_of,
)
from decoders.captures.delimited_table import Table
from decoders.errors import CaptureError, Place


@dataclass(frozen=True, slots=True)
class Layout:
    """How to read every row of a file."""

    table: Table
    time: TimeColumn
    levels: tuple[LevelColumn, ...]
    channels: tuple[str, ...]  # bit k of a level word is channels[k]
    sample_period_ns: float | None
    row_period_ns: float | None  # where rows are samples
    remarks: tuple[str, ...]


def layout_of(name: str, table: Table, options: Options) -> Layout:
    """Decide what each column is.

    Args:
        name: file name, for errors.
        table: the table of the file's head.
        options: what the user said.

    Raises:
        CaptureError: when there is no time, no level, or more than 64 channels.
    """
    remarks: list[str] = []
    rate = options.sample_rate_hz or table.facts.rate_hz
    index = _time_index(name, table, options, rate, remarks)
    if index is not None and options.time_column is None:
        _refuse_own_times(name, table, index)
    time = _time_column(name, table, index, rate, options, remarks)
    levels, channels = level_columns(name, table, index, options, remarks)
    period = _sample_period_ns(table, time, levels, rate)
    row_period = _row_period_ns(table, time, levels, rate)
    return Layout(table, time, levels, channels, period, row_period, tuple(remarks))


def _time_index(
    name: str, table: Table, options: Options, rate: Fraction | None, remarks: list[str]
) -> int | None:
    names = table.names
    header = table.header
    if options.time_column is not None:
        for index, column in enumerate(names):
            if options.time_column in (column, header[index] if header else column):
                return index
        raise CaptureError(
            f"no column named {options.time_column!r}",
            place=Place(name, table.header_line or table.data_line),
            mend=columns_found(table),
        )
    for told in (is_time_name, is_sample_name):
        for index, cell in enumerate(header):
            if told(cell) and any(map(decimal_of, filled(table, index))) | _is_stamped(
                table, index
            ):
                return index
    guess = next((k for k in range(table.columns) if _rises(table, k)), None)
    if guess is None and rate is not None:
        remarks.append("no time column: each row is one sample")
        return None
    if table.columns < 2:
        raise CaptureError(
            "only one column",
            place=Place(name, table.header_line or table.data_line),
            mend=f"{columns_found(table)} A capture needs a time and at least one level; name the "
            "delimiter if it is an unusual one.",
        )
    if guess is None:
        if table.header:
            raise _no_times(name, table)
        guess = 0
    remarks.append(f"time column: {names[guess]} (the first whose values rise)")
    return guess


def _no_times(name: str, table: Table) -> CaptureError:
    """The error of a table with a header and no column of times; the caller raises it."""
    for index, cell in enumerate(table.header):
        if is_time_name(cell) and (cells := filled(table, index)):
            return CaptureError(
                f"no time in column {table.names[index]}: {cells[0]!r}",
                place=Place(name, table.data_line),
                mend=f"{columns_found(table)} Export numbers without thousands marks, or name "
                "the time column.",
            )
    return CaptureError(
        "no column of times",
        place=Place(name, table.header_line),
        mend=f"{columns_found(table)} Name the time column, or state the sample rate.",
    )


def _refuse_own_times(name: str, table: Table, index: int) -> None:
    """Refuse t1,v1,t2,v2: channels that each have times of their own, unless they are the same."""
    for other in range(index + 2, len(table.header), 2):
        if is_time_name(table.header[other]) and table.units[other] == table.units[index]:
            differs = next((row for row in table.rows if row[other] != row[index]), None)
            if differs is not None:
                raise CaptureError(
                    "channels with times of their own",
                    place=Place(name, table.header_line),
                    mend=f"{columns_found(table)} The times in {table.names[index]} and "
                    f"{table.names[other]} differ. Export each channel by itself, or name the "
                    "time column that holds for all.",
                )


def _is_stamped(table: Table, index: int) -> bool:
    return any(CLOCK.fullmatch(cell) or DATE.fullmatch(cell) for cell in filled(table, index))


def _rises(table: Table, index: int) -> bool:
    """Whether a column never falls and is more than a level."""
    if _is_stamped(table, index):
        return True
    values = [fraction_of(cell) for cell in filled(table, index)]
    if not values or None in values:
        return False
    numbers = [value for value in values if value is not None]
    rising = all(a <= b for a, b in pairwise(numbers))
    return rising and (len(set(numbers)) > 2 or not set(numbers) <= {0, 1})


def _time_column(
    name: str,
    table: Table,
    index: int | None,
    rate: Fraction | None,
    options: Options,
    remarks: list[str],
) -> TimeColumn:
    period = 10**9 / rate if rate else None
    if index is None:
        assert period is not None  # _time_index gives None only with a rate
        return TimeColumn(None, "row", period_ns=_told_period(period, remarks))
    cells = filled(table, index)
    if any(map(DATE.fullmatch, cells)):
        if any((match := DATE.fullmatch(cell)) and match[8] is None for cell in cells):
            remarks.append("times without a zone are taken as UTC")
        return TimeColumn(index, "date")
    if any(map(CLOCK.fullmatch, cells)):
        return TimeColumn(index, "clock")
    unit = options.time_unit or unit_of(table.units[index]) or _unit_in_name(table, index)
    counts = all((number := decimal_of(cell)) is None or number[1] >= 0 for cell in cells)
    named = bool(table.header) and is_sample_name(table.header[index])
    unnamed = not table.header and period is not None and counts
    if (unit is None and (named or unnamed)) or unit == "sample":
        if period is None:
            raise CaptureError(
                "sample numbers, but no sample rate is stated",
                place=Place(name, table.header_line or table.data_line),
                mend=f"{columns_found(table)} State the sample rate, or name a column of times.",
            )
        return TimeColumn(index, "sample", period_ns=_told_period(period, remarks))
    unit = unit or table.facts.time_unit
    if unit is None:
        unit = "ns" if counts and len(cells) > 1 and cells[-1] not in ("0", "1") else "s"
        how = "whole numbers" if unit == "ns" else "numbers with a fraction"
        remarks.append(f"no time unit is stated: {how} are taken as {unit}")
    return TimeColumn(index, "decimal", unit_power=UNIT_POWERS[unit])


def _unit_in_name(table: Table, index: int) -> str | None:
    return unit_of(table.names[index]) if table.header else None


def _told_period(period: Fraction, remarks: list[str]) -> Fraction:
    rate = 10**9 / period
    remarks.append(f"sample rate: {float(rate):.12g} Hz ({float(period):.9g} ns a sample)")
    if period.denominator != 1:
        remarks.append("a sample is no whole number of ns: each time is rounded to the nearest")
    return period


def _sample_period_ns(
    table: Table, time: TimeColumn, levels: Sequence[LevelColumn], rate: Fraction | None
) -> float | None:
    """The step of the rows when they are samples: stated, or equal steps with levels repeated."""
    if rate is not None:
        return float(10**9 / rate)
    rows = [row for row in table.rows if time.index is not None and row[time.index]]
    try:
        times = [got[0] for row in rows if (got := time_ns(time, row[time.index or 0]))]
    except OverflowError:
        return None
    if len(times) < 4 or len(times) != len(rows):
        return None
    steps = {b - a for a, b in pairwise(times)}
    words = [tuple(level_of(column, row[column.index]) for column in levels) for row in rows]
    repeated = any(a == b for a, b in pairwise(words))
    if max(steps) - min(steps) > 1 or min(steps) < 1 or not repeated:
        return None
    return (times[-1] - times[0]) / (len(times) - 1)


_FEWEST_SAMPLES = 16  # rows that tell whether rows are samples


def _row_period_ns(
    table: Table, time: TimeColumn, levels: Sequence[LevelColumn], rate: Fraction | None
) -> float | None:
    """The step of rows that are samples: most of them alike, most of them repeating the levels."""
    if time.index is None:
        return None  # the time is the row's number: no row can be seen to be missing
    rows = [row for row in table.rows if row[time.index]]
    try:
        times = [got[0] for row in rows if (got := time_ns(time, row[time.index]))]
    except OverflowError:
        return None
    if len(times) < _FEWEST_SAMPLES or len(times) != len(rows):
        return None
    steps = sorted(b - a for a, b in pairwise(times))
    usual = steps[len(steps) // 2]
    alike = [step for step in steps if abs(step - usual) <= 1]
    words = [tuple(level_of(column, row[column.index]) for column in levels) for row in rows]
    repeated = sum(a == b for a, b in pairwise(words))
    if usual < 1 or 2 * len(alike) < len(steps) or 2 * repeated < len(steps):
        return None
    if rate is not None:
        stated = float(10**9 / rate)
        return stated if abs(stated - usual) <= 1 else None
    return sum(alike) / len(alike)

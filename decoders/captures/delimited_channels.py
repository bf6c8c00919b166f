"""Which columns of a delimited capture are levels, and how each is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from decoders.captures.delimited_cells import is_sample_name, is_time_name, is_volt_unit
from decoders.captures.delimited_digits import decimal_of, fraction_of, unit_of
from decoders.captures.delimited_levels import (
    VOLT_UNITS,
    LevelColumn,
    halfway_volts,
    has_no_value,
    logic_of,
    port_width,
)
from decoders.captures.delimited_table import Table
from decoders.errors import CaptureError, Place

NO_LEVELS = "no column of levels"
_MOST_CHANNELS = 64
_USUAL_VOLTS = Fraction(3, 2)  # the threshold where no number says another
_LEAST_VOLTS = Fraction(1, 2)  # no logic family calls less than this high


@dataclass(frozen=True, slots=True)
class Options:
    """What the user said about a file; None where nothing was said."""

    threshold_volts: Fraction | None = None
    sample_rate_hz: Fraction | None = None
    time_column: str | None = None
    time_unit: str | None = None


def columns_found(table: Table) -> str:
    """The columns of a file, for the way to mend an error."""
    return "Columns found: " + ", ".join(table.names) + "."


def filled(table: Table, index: int) -> list[str]:
    """The cells of a column that have a value."""
    return [row[index] for row in table.rows if not has_no_value(row[index])]


def level_columns(
    name: str, table: Table, time_index: int | None, options: Options, remarks: list[str]
) -> tuple[tuple[LevelColumn, ...], tuple[str, ...]]:
    """The columns of levels and the names of their channels, bit 0 of the level word first.

    Args:
        name: file name, for errors.
        table: the table of the file's head.
        time_index: the time column, None for none.
        options: what the user said.
        remarks: takes what was assumed.

    Raises:
        CaptureError: when there is no level, or there are more than 64 channels.
    """
    others = [k for k in range(table.columns) if k != time_index and filled(table, k)]
    others = [k for k in others if len(table.names[k]) < 3 or not _is_other_time(table, k)]
    logic = [k for k in others if _is_logic(table, k)]
    volts = [k for k in others if k not in logic and _is_volts(table, k)]
    ports = {
        k: port
        for k in others
        if k not in logic and not is_volt_unit(table.units[k]) and not _is_other_time(table, k)
        if (port := port_width(filled(table, k)))
    }
    volts = [k for k in volts if k not in ports and not _is_other_time(table, k)]
    if volts:  # a line that stood at 0.00 V all the while is no 0/1 column
        logic = [k for k in logic if not _is_flat_volts(table, k)]
        volts = [k for k in others if k in volts or (k not in logic and k not in ports)]
        volts = [k for k in volts if not _is_other_time(table, k) and _is_volts(table, k)]
    if (logic or ports) and options.threshold_volts is None:
        volts = [k for k in volts if is_volt_unit(table.units[k])]  # the rest is no line
    if logic:
        ports = {k: port for k, port in ports.items() if port[0] == "hex"}
    thresholds = _thresholds(table, volts, logic, options, remarks)
    columns: list[LevelColumn] = []
    channels: list[str] = []
    for k in others:
        kind, width = ports.get(k, ("volts" if k in thresholds else "logic", 1))
        if k in logic or k in thresholds or k in ports:
            columns.append(
                LevelColumn(k, kind, len(channels), width, thresholds.get(k, Fraction(0)))
            )
            label = table.names[k]
            channels += [label] if k not in ports else [f"{label}[{bit}]" for bit in range(width)]
    _refuse_levels(name, table, channels)
    unread = [
        k for k in range(table.columns) if k != time_index and k not in {c.index for c in columns}
    ]
    if unread:
        remarks.append("columns not read: " + ", ".join(table.names[k] for k in unread))
    return tuple(columns), tuple(channels)


def _is_other_time(table: Table, index: int) -> bool:
    if table.header and (is_time_name(table.header[index]) or is_sample_name(table.header[index])):
        return True
    return unit_of(table.units[index]) is not None


def _is_logic(table: Table, index: int) -> bool:
    """Whether the cells of a column are levels, but for a few gone wrong."""
    cells = filled(table, index)
    odd = [cell for cell in cells if logic_of(cell) is None]
    numbers = [number for cell in odd if (number := decimal_of(cell))]
    if any(power < 0 for _, power in numbers) or len(numbers) > max(1, len(cells) // 100):
        return False
    return 2 * len(odd) < len(cells)


def _is_volts(table: Table, index: int) -> bool:
    cells = filled(table, index)
    return 2 * sum(fraction_of(cell) is not None for cell in cells) > len(cells)


def _is_flat_volts(table: Table, index: int) -> bool:
    numbers = [decimal_of(cell) for cell in filled(table, index)]
    return all(number is not None and number[0] == 0 and number[1] < 0 for number in numbers)


def _thresholds(
    table: Table, volts: Sequence[int], logic: list[int], options: Options, remarks: list[str]
) -> dict[int, Fraction]:
    """Threshold of each column in its own unit; 0/1 columns that say volts count as volts too."""
    for k in [k for k in logic if is_volt_unit(table.units[k])]:
        if volts or options.threshold_volts is not None:
            logic.remove(k)
            volts = sorted([*volts, k])
    if not volts:
        return {}
    scale = {k: Fraction(10) ** VOLT_UNITS.get(table.units[k].lower(), 0) for k in volts}
    if options.threshold_volts is not None:
        threshold = options.threshold_volts
        remarks.append(f"threshold: {float(threshold):g} V, as told")
        return {k: threshold / scale[k] for k in volts}
    found: dict[int, Fraction] = {}
    both_seen = True
    for unit in set(scale.values()):
        same = [k for k in volts if scale[k] == unit]
        cells = [cell for k in same for cell in filled(table, k)]
        threshold, seen = halfway_volts(cells, _LEAST_VOLTS / unit) or (_USUAL_VOLTS / unit, False)
        found.update(dict.fromkeys(same, threshold))
        both_seen = both_seen and seen
    told = ", ".join(f"{volt:g} V" for volt in sorted({float(found[k] * scale[k]) for k in volts}))
    how = "half way between the levels" if both_seen else "for only one level is"
    remarks.append(f"threshold: {told}, {how} seen at the start")
    return found


def _refuse_levels(name: str, table: Table, channels: Sequence[str]) -> None:
    place = Place(name, table.header_line or table.data_line)
    if not channels:
        raise CaptureError(
            NO_LEVELS,
            place=place,
            mend=f"{columns_found(table)} Levels are 0/1, high/low, true/false, volts or hex.",
        )
    if len(channels) > _MOST_CHANNELS:
        raise CaptureError(
            f"{len(channels)} channels, and at most {_MOST_CHANNELS} can be read",
            place=place,
            mend="Export fewer channels.",
        )

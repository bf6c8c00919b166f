"""The sheets of line states, pulses and SPI words."""

from __future__ import annotations

import polars as pl

from console.timeline.sheet.before import good_before
from console.timeline.sheet.lines import (
    MOST_RAW,
    Body,
    Change,
    Field,
    Heading,
    Line,
    RawBytes,
    Tone,
    Words,
    clipped,
    spaced_hex,
)
from console.timeline.sheet.run import Row, Run, ago
from console.timeline.sheet.transaction import byte_changes
from console.timeline.sheet.wire_lines import whose
from console.timeline.words import STATE_WORDS, problem_words
from decoders.buses.i2c_limits import BUS_CLEAR_CLOCKS
from decoders.durations import in_words

_MOVING = "Moving parts may start at any time: keep clear, and cut their power first."
HELD = ("sda-held", "scl-held", "both-held")
_MEANS = {
    "sda-held": "SDA stayed low with SCL high: nobody can send a START.",
    "scl-held": "SCL stayed low: no clock can pass. A target stretches so, or is stuck.",
    "both-held": "Both lines stayed low, SDA all the while SCL was held.",
    "busy": "Both lines were high, but no STOP had ended the transaction.",
    "spike": "A pulse shorter than the filter; it was taken out.",
    "noise": "Clocks or pulses without a START.",
    "not-observed": "Nothing was recorded here. What happened cannot be said.",
}


def state_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of a line state, row `at` of its table."""
    state = str(row["state"])
    said = STATE_WORDS.get(state, state)
    lines: list[Line] = [Words(_MEANS[state])] if state in _MEANS else []
    lines.append(Field("lasted", in_words(row["end_ns"] - row["start_ns"])))
    if state in HELD:
        lines += _held(row)
    lines += _around(run, row)
    problems = (said,) if state in HELD else ()
    return Body(
        f"{said} on {row['bus']}",
        tuple(lines),
        problems,
        end_ns=int(row["end_ns"]),
        source=str(row["source"]),
    )


def _held(row: Row) -> list[Line]:
    """Where in a byte, and whose turn it was (UM10204 sections 3.1.5, 3.1.6, 3.1.16)."""
    slot, turn = row["bit_slot"], row["turn"]
    lines: list[Line] = []
    if slot is None:
        lines.append(Field("bit slot", "not inside a byte"))
    else:
        words = "the acknowledge" if slot == 8 else f"bit {7 - slot} of a byte"
        lines.append(Field("bit slot", f"{slot} of 0 to 8, {words}"))
    known = turn in ("controller", "target")
    lines.append(Field("SDA's turn", f"the {turn}'s" if known else "cannot say"))
    lines.append(Words("Whose pin held it cannot be told from two lines.", Tone.QUIET))
    if row["state"] == "sda-held":
        free = f"A target lets go of SDA within {BUS_CLEAR_CLOCKS} clocks (UM10204 3.1.16)."
        lines.append(Words(free, Tone.QUIET))
    return lines


def _around(run: Run, row: Row) -> list[Line]:
    """The transaction it lies in, or the last before it."""
    transactions = run.tables["transactions"]
    high = int(transactions["start_ns"].search_sorted(row["start_ns"], "right"))
    past = good_before(transactions, high, pl.col("bus") == row["bus"])
    if not past.rows:
        return []
    then = transactions.row(past.rows[0], named=True)
    is_inside = then["end_ns"] > row["start_ns"] or then["ended_by"] in ("stuck", "cut")
    name = "inside" if is_inside else "last before"
    lines: list[Line] = [Heading("on the bus"), Field(name, whose(then))]
    lines.append(Field("begun", ago(row["start_ns"], then["start_ns"])))
    return lines


def pulse_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of a pulse, beside the one before it on the line."""
    pulses = run.tables["pulses"]
    same = (pl.col("line") == row["line"]) & (pl.col("high") == row["high"])
    past = good_before(pulses, at, same)
    good = pulses.row(past.rows[0], named=True) if past.rows else None
    lines: list[Line] = [
        _measured(name, column, unit, row, good)
        for name, column, unit in (("angle", "angle_deg", "deg"), ("distance", "distance_cm", "cm"))
        if row.get(column) is not None
    ]
    lines += [
        _timed(name, column, row, good)
        for name, column in (("width", "width_ns"), ("period", "period_ns"))
        if row[column] is not None
    ]
    if row.get("angle_deg") is not None:
        lines.append(Words(_MOVING, Tone.QUIET))
    compared = past.none_words("pulse")
    if good is not None:
        compared = f"beside the last one, {ago(row['start_ns'], good['start_ns'])}"
    title = f"{row['line']} {'high' if row['high'] else 'low'}"
    return Body(title, tuple(lines), (), compared, int(row["end_ns"]), str(row["source"]))


def _measured(name: str, column: str, unit: str, row: Row, good: Row | None) -> Field:
    """What a pulse means, to a tenth."""
    value = f"{row[column]:.1f} {unit}"
    if good is None or good.get(column) is None:
        return Field(name, value)
    was = f"{good[column]:.1f} {unit}"
    change = Change.SAME if was == value else Change.DIFFERS
    return Field(name, value, change=change, was="" if was == value else was)


def _timed(name: str, column: str, row: Row, good: Row | None) -> Field:
    value = in_words(row[column])
    if good is None or good[column] is None:
        return Field(name, value)
    was = in_words(good[column])
    change = Change.SAME if was == value else Change.DIFFERS
    return Field(name, value, change=change, was="" if was == value else was)


def word_body(run: Run, at: int, row: Row) -> Body:
    """What there is to say of an SPI word, beside the last one of its device."""
    words = run.tables["words"]
    same = pl.col("device").eq_missing(row["device"]) & (pl.col("bits") == row["bits"])
    past = good_before(words, at, same, pl.col("problems").list.len() == 0)
    good = words.row(past.rows[0], named=True) if past.rows else None
    lines: list[Line] = [Field("bits", str(row["bits"]))]
    for name in ("mosi", "miso"):
        data = _hex(row[name])
        if data is None:
            lines.append(Field(name.upper(), clipped(str(row[name] or "not observed"))))
            continue
        was = _hex(good[name]) if good is not None else None
        change = Change.NONE if was is None else Change.SAME if was == data else Change.DIFFERS
        told = spaced_hex(was or b"") if change is Change.DIFFERS else ""
        lines.append(Field(name.upper(), spaced_hex(data), change=change, was=told))
        if len(data) > 4:
            changes = byte_changes(data, was) if was is not None else ()
            lines += [Heading(name.upper()), RawBytes(data[:MOST_RAW], changes, len(data))]
    compared = past.none_words("word of the device")
    if good is not None:
        compared = f"beside the last good one, {ago(row['start_ns'], good['start_ns'])}"
    problems = tuple(problem_words([p]) for p in row["problems"] or ())
    title = f"word of {row['device'] or row['bus']}"
    return Body(title, tuple(lines), problems, compared, int(row["end_ns"]), str(row["source"]))


def _hex(text: str | None) -> bytes | None:
    try:
        return bytes.fromhex(text) if text else None
    except ValueError:
        return None

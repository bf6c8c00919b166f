"""One event in a few words, for a row of the timeline or a line of a report. Not cleaned."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import msgspec
import polars as pl

from console.timeline.events import EVENT_TABLES, Events
from decoders.durations import in_words

Row = dict[str, Any]

# Said of a packet only when nothing else is: they are the same in every one.
FRAME_FIELDS = ("sync", "kind", "type", "length", "count", "sum", "check", "crc", "pec")
MOST_VALUES = 6  # values told of one packet or message
HAPPENING_WORDS = {  # what happened to a source; others are said as they are
    "lost": "data lost",
    "break": "break on the line",
    "framing": "byte without a stop bit",
    "parity": "wrong parity",
    "retry": "tries again",
    "note": "",
    "connect": "CONNECT",
    "connack": "CONNACK",
    "disconnect": "DISCONNECT",
    "connection-refused": "connection refused",
    "dropped": "connection ended without DISCONNECT",
    "keep-alive": "keep alive missed",
    "taken-over": "connection taken over",
    "duel": "client identifier fought over",
    "half-handshake": "handshake not completed",
    "message-refused": "refused",
    "malformed": "malformed packet",
    "violation": "out of turn",
    "unread": "packet not read",
}
PROBLEM_WORDS = {
    "address-nack": "address not acknowledged",
    "data-nack": "data not acknowledged",
    "check-code": "wrong check code",
    "range": "value outside its range",
    "short": "cut short",
    "trailing": "bytes left over",
    "sync": "wrong sync bytes",
    "length": "wrong length",
    "constant": "wrong constant",
    "enum": "value without a name",
    "unselected": "clocks without a select",
    "no-clock": "selected without a clock",
    "select-glitch": "select too short to be meant",
    "several-selected": "several devices selected",
    "idle-level": "clock idle at the other level",
}
STATE_WORDS = {
    "busy": "no STOP, lines high",
    "sda-held": "SDA held low",
    "scl-held": "SCL held low",
    "both-held": "SCL and SDA held low",
    "spike": "spike",
    "noise": "edges outside a transaction",
    "not-observed": "not observed",
}


def event_row(tables: Mapping[str, pl.DataFrame], events: Events, k: int) -> tuple[str, Row]:
    """The table of event k and its row."""
    name = EVENT_TABLES[int(events.table[k])]
    return name, tables[name].row(int(events.row[k]), named=True)


def event_words(table: str, row: Row) -> str:
    """A row of a table in words; text from outside in it is not cleaned."""
    return _WORDS[table](row)


def problem_words(problems: list[str] | None) -> str:
    """Problems of a row, in words; those without words of their own as they are."""
    return ", ".join(PROBLEM_WORDS.get(p, p.replace("-", " ")) for p in problems or ())


def _transaction(row: Row) -> str:
    direction = "read" if row["read"] else "write"
    problems = problem_words(row["problems"])
    if row["address"] is None:
        return problems or "cut transaction"
    data = row["data"] or ""
    shown = data[:24] + (".." if len(data) > 24 else "")
    parts = [direction, shown] if shown else [direction]
    if problems:
        parts = [problems, f"({direction})"]
    return " ".join(parts)


def _packet(row: Row) -> str:
    values = values_of(row["fields"], FRAME_FIELDS)
    problems = problem_words(row["problems"])
    return " ".join(p for p in (row["packet"], f"{problems}:" if problems else "", values) if p)


def _exchange(row: Row) -> str:
    return "no reply" if row["outcome"] == "none" else "reply not observable"


def _print(row: Row) -> str:
    return str(row["text"])


def _message(row: Row) -> str:
    payload = row["payload"] or ""
    values = values_of(row["fields"])
    last = str(row["topic"]).rsplit("/", 2)
    return f"{'/'.join(last[-2:])} {values or payload[:80]}".rstrip()


def _happening(row: Row) -> str:
    said = HAPPENING_WORDS.get(row["what"], str(row["what"]))
    return ": ".join(part for part in (said, row["detail"] or "") if part)


def _line_state(row: Row) -> str:
    said = STATE_WORDS.get(row["state"], str(row["state"]))
    return f"{said}, {row['turn']} to drive" if row.get("turn") not in (None, "unknown") else said


def _word(row: Row) -> str:
    if row["mosi"] is None and row["miso"] is None and row["problems"]:
        return problem_words(row["problems"])
    return f"{row['mosi'] or '-'} -> {row['miso'] or '-'} {problem_words(row['problems'])}".rstrip()


def _pulse(row: Row) -> str:
    """What a pulse means, where that is known, before how long it was."""
    level, width_ns = "high" if row["high"] else "low", row["width_ns"]
    line = str(row.get("line") or "")
    parts = [role for role in ("trigger", "echo") if line.endswith(f" {role}")]
    if row.get("angle_deg") is not None:
        parts.append(f"{row['angle_deg']:.1f} deg")
    if row.get("distance_cm") is not None:
        parts.append(f"{row['distance_cm']:.1f} cm")
    if width_ns is None:
        return ", ".join([*parts, level])
    # In us, to the digits a servo needs, as long as that can be read.
    length = f"{width_ns / 1e3:.1f} us" if width_ns < 100_000_000 else in_words(width_ns)
    return ", ".join([*parts, f"{level} for {length}"])


def _link(row: Row) -> str:
    if row["outcome"] == "not-observed":
        return "not observable"
    return {"messages": "not published", "prints": "not printed"}.get(row["to_table"], "missing")


_WORDS: Mapping[str, Callable[[Row], str]] = {
    "transactions": _transaction,
    "packets": _packet,
    "exchanges": _exchange,
    "prints": _print,
    "messages": _message,
    "line_states": _line_state,
    "happenings": _happening,
    "words": _word,
    "pulses": _pulse,
    "links": _link,
}


def values_of(fields: str | None, leave_out: tuple[str, ...] = ()) -> str:
    """The first values of a JSON object: `n=3 gate=left`, lists by their length."""
    if not fields or len(fields) > 1 << 16:
        return ""
    try:
        found = msgspec.json.decode(fields)
    except (msgspec.DecodeError, RecursionError):
        return ""
    if not isinstance(found, dict):
        return ""
    told = [_told(key, value) for key, value in found.items() if key not in leave_out]
    return " ".join(told[:MOST_VALUES])


def _told(key: str, value: Any) -> str:
    if isinstance(value, list):
        return f"{len(value)} {key if len(value) != 1 else key.removesuffix('s')}"
    return f"{key}={_value(value)}"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{..}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "-" if value is None else str(value)[:40]

"""The transactions under an event in a few lines: whose, how long, how fast."""

from __future__ import annotations

from collections.abc import Sequence

from console.timeline.sheet.lines import Field, Heading, Line, More
from console.timeline.sheet.run import Row, Run
from decoders.durations import in_words

MOST_TOLD = 4
STARTED_WORDS = {
    "start": "START",
    "restart": "repeated START",
    "cut": "begun before what was observed",
}
ENDED_WORDS = {
    "stop": "STOP",
    "restart": "repeated START",
    "start": "START out of place",
    "cut": "cut with what was observed",
    "stuck": "the line was held to the end",
}


def wire_lines(run: Run, rows: Sequence[int]) -> list[Line]:
    """A short account of the transactions under a packet."""
    if not rows:
        return []
    transactions = run.tables["transactions"]
    lines: list[Line] = [Heading("on the wire")]
    for at in rows[:MOST_TOLD]:
        row = transactions.row(at, named=True)
        size = len(row["data"] or "") // 2
        lines += [
            Field(whose(row), f"{size:,} byte{'s' * (size != 1)}"),
            Field("took", in_words(row["end_ns"] - row["start_ns"])),
            Field("clock", clock_words(row)),
        ]
    if len(rows) > MOST_TOLD:
        lines.append(More(len(rows) - MOST_TOLD, "transactions"))
    return lines


def whose(row: Row) -> str:
    """`write 2E`: direction and address."""
    way = "read" if row["read"] else "write"
    return way if row["address"] is None else f"{way} {address_text(row)}"


def address_text(row: Row) -> str:
    """An address in hex, two digits or three."""
    return f"{row['address']:0{3 if row['address_bits'] == 10 else 2}X}"


def clock_words(row: Row) -> str:
    """The mean clock rate, waits taken in; nine clocks a byte (UM10204 section 3.1.5)."""
    took = row["end_ns"] - row["start_ns"]
    heads = 2 if row["address_bits"] == 10 and not row["read"] else 1
    clocks = 9 * (heads + len(row["data"] or "") // 2)
    whole = row["started_by"] != "cut" and row["ended_by"] in ("stop", "restart")
    if row["address"] is None or not whole or took <= 0:
        return "cannot say"
    khz = clocks * 1e6 / took
    return f"mean {khz:.3g} kHz" if khz < 999.5 else f"mean {khz / 1e3:.3g} MHz"

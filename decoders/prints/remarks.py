"""What a print decoder assumed and noticed, in words for people."""

from __future__ import annotations

from decoders.durations import in_words
from decoders.prints.lines import LONGEST_BYTES, LineCutter
from decoders.prints.ticks import Ticks


def line_remarks(cutter: LineCutter, damaged: int, rows: int) -> list[str]:
    """Remarks on line endings, lines cut up, and damaged lines.

    Args:
        cutter: what cut the lines.
        damaged: how many prints were damaged.
        rows: how many prints there were.
    """
    said = []
    endings = [(count, name) for name, count in cutter.endings.items() if count]
    if len(endings) > 1:
        each = ", ".join(f"{count} {name}" for count, name in sorted(endings, reverse=True))
        said.append(f"line endings are mixed: {each}")
    if cutter.over_long:
        said.append(f"cut in pieces of {LONGEST_BYTES >> 10} KiB: {counted(cutter.over_long)}")
    if damaged:
        said.append(f"bytes that printed text has none of: {damaged} of {counted(rows)}")
    if damaged * 2 > rows > 8:
        said.append("most lines are damaged: another baud rate, or text that is not UTF-8")
    return said


def time_remarks(ticks: Ticks, given_bits: int | None, *, zoneless: bool) -> list[str]:
    """Remarks on rollovers, restarts and stamps that were not believed.

    Args:
        ticks: what put the time straight.
        given_bits: width of the counter as it was given.
        zoneless: whether dates had no zone.
    """
    said = []
    if zoneless:
        said.append("dates without a zone were taken as UTC")
    if ticks.found_bits:
        said.append(
            f"the counter was taken to run over at {ticks.found_bits} bits, "
            f"every {in_words(ticks.period_ns)}; if it does not, tell its tick_bits in a bench file"
        )
    if ticks.period_ns and not ticks.hosted:
        said.append(
            f"a silence longer than the counter's period of {in_words(ticks.period_ns)} cannot be "
            "seen: the log has no host stamps"
        )
    if given_bits and ticks.exceeded:
        said.append(f"stamps are larger than a counter of {given_bits} bits can hold")
    if ticks.late:
        said.append(f"out of order by their stamps: {counted(ticks.late)}")
    if ticks.stray:
        said.append(f"stamps left out, for they fit nothing around them: {counted(ticks.stray)}")
    return said


def counted(count: int) -> str:
    """So many lines, in words."""
    return "1 line" if count == 1 else f"{count} lines"

"""What a serial log cannot prove: cut or missing lines, damage, a full line, jumps of its clock."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.trust.counters import Counter, believed, holes
from console.trust.line_forms import Forms
from console.trust.line_load import load_row
from console.trust.repeats import Repeat, repeated_rows, repeats
from console.trust.sheet import TrustRow
from decoders.prints.columns import Prints
from decoders.prints.ticks import Jump

Int64s = npt.NDArray[np.int64]

_PAIR = r"([A-Za-z_]\w*)\W{0,3}(\d{1,18})\b"  # a word and the number after it
_SPEAKER = r"^\W*([A-Za-z_]\w*)"
_MOST_PAIRS = 4  # of a line
_MOST_COUNTERS = 64
_TASTED = 4_000  # lines at the beginning, in the middle and at the end of a long log
_STAMPED_SHARE = 0.9  # of the lines, for one without a stamp to be odd
_JUMPS = {
    "rollover": ("rollover", "the firmware's counter runs over"),
    "restart": ("restart", "the firmware's clock starts anew"),
    "restart or pause": ("restart", "the firmware's clock stood still, or it started anew"),
    "set": ("clock-set", "the clock of the stamps was set"),
}


@dataclass(frozen=True, slots=True, eq=False)
class PrintFacts:
    """One log: its lines, and what was noticed while it was read."""

    rows: Prints  # n
    t_ns: Int64s  # [n] common axis; means nothing where not timed
    timed: npt.NDArray[np.bool_]  # [n]
    jumps: Sequence[Jump]
    tick_period_ns: int  # 0 when not known
    heads: Sequence[str]
    baud: int | None
    read_late: bool = False  # the form of its stamps was told after its first lines were given


def print_rows(source: str, facts: PrintFacts) -> Iterator[TrustRow]:
    """The rows of one log, times on the common axis."""
    n = len(facts.rows)
    if not n:
        return
    first, last = _span(facts, 0, n - 1)
    yield TrustRow(source, first, last, "coverage", "note", f"{n:,} lines", n, unit="lines")
    if not facts.timed.any():
        what = "no line has a time, neither the firmware's nor the host's"
        yield TrustRow(source, None, None, "no-times", "doubtful", what)
    texts = pl.Series(facts.rows.texts(), dtype=pl.String)
    again = _repeats(facts, texts)
    yield from _repeated(source, facts, again)
    yield from _jumps(source, facts, again)
    yield from _damaged(source, facts)
    yield from _cut_lines(source, facts, texts)
    yield from _missing(source, facts, texts, repeated_rows(again, n))
    load = load_row(source, facts.rows, facts.t_ns, facts.timed, facts.baud)
    if load is not None:
        yield load


def _span(facts: PrintFacts, first: int, last: int) -> tuple[int | None, int | None]:
    """Times of two rows; None where there is none. Lines may be out of order."""
    known = [int(facts.t_ns[row]) for row in (first, last) if facts.timed[row]]
    return min(known, default=None), max(known, default=None)


def _repeats(facts: PrintFacts, texts: pl.Series) -> list[Repeat]:
    """Runs of lines that are there twice; without stamps nobody can tell."""
    rows = facts.rows
    if not rows.stamped.any():
        return []
    stamp = rows.native_ns
    if facts.tick_period_ns:  # what is read again after a rollover has its stamp as printed
        stamp = stamp % facts.tick_period_ns
    return [
        repeat
        for repeat in repeats(stamp, [texts])
        if rows.stamped[repeat.first : repeat.last + 1].any()
    ]


def _repeated(source: str, facts: PrintFacts, found: Sequence[Repeat]) -> Iterator[TrustRow]:
    for each in found:
        count = each.last - each.first + 1
        first, last = _span(facts, each.original, each.original + count - 1)
        what = f"{count} line{'s stand' if count != 1 else ' stands'} in it twice"
        yield TrustRow(
            source, first, last, "repeated", "doubtful", what, float(count), unit="lines"
        )


def _jumps(source: str, facts: PrintFacts, again: Sequence[Repeat]) -> Iterator[TrustRow]:
    repeated = repeated_rows(again, len(facts.rows))
    for jump in facts.jumps:
        if jump.row >= len(facts.rows) or repeated[jump.row]:
            continue
        kind, what = _JUMPS[jump.kind]
        first, last = _span(facts, max(jump.row - 1, 0), jump.row)
        wraps = float(jump.wraps) if jump.wraps else None
        unit = "times" if jump.wraps else ""
        yield TrustRow(source, first, last, kind, "note", what, wraps, unit=unit)


def _damaged(source: str, facts: PrintFacts) -> Iterator[TrustRow]:
    """A row for each run of damaged lines."""
    rows = np.flatnonzero(facts.rows.damaged)
    if not len(rows):
        return
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
        count = len(run)
        first, last = _span(facts, int(run[0]), int(run[-1]))
        what = f"{count} line{'s' * (count != 1)} with bytes that printed text has none of"
        yield TrustRow(source, first, last, "damaged", "doubtful", what, float(count), unit="lines")


def _cut_lines(source: str, facts: PrintFacts, texts: pl.Series) -> Iterator[TrustRow]:
    rows = facts.rows
    stamped = rows.stamped
    heads = facts.heads if np.mean(stamped) >= _STAMPED_SHARE else ()
    cut = set(Forms(texts, stamped, heads).cut())
    last = len(rows) - 1
    if rows.partial[last] and rows.line_bytes[last] < (1 << 16):
        cut.add(last)
    before_any = int(np.argmax(stamped)) if stamped.any() else 0  # boot text has no stamps yet
    for row in sorted(cut):
        if heads and row < before_any and (row or facts.read_late):
            continue
        what = (
            "the last line has no end"
            if row == last and rows.partial[last]
            else ("a line lost a part, or two are in one")
        )
        first, until = _span(facts, row, min(row + 1, last))
        yield TrustRow(source, first, until, "cut-line", "doubtful", what, 1.0, unit="lines")


def _missing(
    source: str, facts: PrintFacts, texts: pl.Series, repeated: npt.NDArray[np.bool_]
) -> Iterator[TrustRow]:
    """Numbers that a loop of the firmware prints one by one, and that are not all there."""
    wanted = ~repeated & facts.timed
    if not wanted.any():
        return
    regular = [c for c in _counters(texts, wanted) if c.counts() and c.keeps_time(facts.t_ns)]
    for hole in holes(believed(regular), facts.t_ns, in_time=True):
        first, last = _span(facts, hole.before, hole.after)
        numbers = f"{hole.missing:,} number{'s' * (hole.missing != 1)}"
        what = f"{numbers} of {', '.join(hole.names)} not printed, or the lines were lost"
        yield TrustRow(
            source,
            first,
            last,
            "bytes-missing",
            "doubtful",
            what,
            float(hole.missing),
            unit="lines",
        )


def _counters(texts: pl.Series, wanted: npt.NDArray[np.bool_]) -> list[Counter]:
    """Numbers by the line's first word and the word before them; the first of each in a line."""
    if len(texts) <= 3 * _TASTED:
        return list(_all_counters(texts, wanted).values())
    keys: set[tuple[str, str]] = set()
    for first in (0, (len(texts) - _TASTED) // 2, len(texts) - _TASTED):
        part = slice(first, first + _TASTED)
        for key, counter in _all_counters(texts[part], wanted[part]).items():
            if counter.counts():
                keys.add(key)
    return [_one_counter(texts, wanted, key) for key in sorted(keys)[:_MOST_COUNTERS]]


def _one_counter(texts: pl.Series, wanted: npt.NDArray[np.bool_], key: tuple[str, str]) -> Counter:
    """One number of the whole log, as `_all_counters` finds it."""
    speaker, word = map(re.escape, key)
    after = "" if speaker == word else rf"\b.*?\b{word}"
    found = texts.str.extract(rf"^\W*{speaker}{after}\W{{0,3}}(\d{{1,18}})\b").cast(pl.Int64)
    rows = np.flatnonzero(found.is_not_null().to_numpy() & wanted)
    return _counter(*key, rows.astype(np.int64), found.gather(rows).to_numpy())


def _counter(speaker: str, word: str, rows: Int64s, values: Int64s) -> Counter:
    return Counter(speaker, word if speaker == word else f"{speaker} {word}", rows, values)


def _all_counters(
    texts: pl.Series, wanted: npt.NDArray[np.bool_]
) -> dict[tuple[str, str], Counter]:
    """Every number of a part of the log, 5 us a line."""
    frame = (
        pl.DataFrame({"text": texts, "wanted": pl.Series(wanted)})
        .with_row_index("row")
        .filter("wanted")
        .select(
            "row",
            speaker=pl.col("text").str.extract(_SPEAKER),
            pair=pl.col("text").str.extract_all(_PAIR).list.head(_MOST_PAIRS),
        )
        .explode("pair")
        .drop_nulls()
        .select(
            "row",
            "speaker",
            word=pl.col("pair").str.extract(_PAIR, 1),
            value=pl.col("pair").str.extract(_PAIR, 2).cast(pl.Int64, strict=False),
        )
        .drop_nulls()
        .unique(["row", "speaker", "word"], keep="first", maintain_order=True)
    )
    if not frame.height:
        return {}
    common = frame.group_by("speaker", "word").len().sort("len", "speaker", "word")
    kept = common.tail(_MOST_COUNTERS).select("speaker", "word")
    parts = frame.join(kept, on=["speaker", "word"], maintain_order="left").partition_by(
        "speaker", "word", as_dict=True, maintain_order=True
    )
    return {
        (str(speaker), str(word)): _counter(
            str(speaker),
            str(word),
            part["row"].to_numpy().astype(np.int64),
            part["value"].to_numpy(),
        )
        for (speaker, word), part in parts.items()
    }

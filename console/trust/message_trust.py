"""What a recording of messages cannot prove: lost, repeated, retained and unreadable ones."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.alignment.series import number_paths
from console.trust.counters import FEWEST_STEPS, Counter, believed, holes
from console.trust.repeats import Repeat, repeated_rows, repeats
from console.trust.sheet import TrustRow
from decoders.durations import in_words
from decoders.messages.columns import Messages

Int64s = npt.NDArray[np.int64]

_MOST_TOPICS = 64
_MOST_PATHS = 12
_TASTED = 200  # messages of a topic looked at to learn which numbers count
_RISES = 0.8  # share of the tasted steps that must be small and upward
_SMALL = 8


@dataclass(frozen=True, slots=True, eq=False)
class MessageFacts:
    """One recording: its messages in the order of the file, and what was noticed."""

    rows: Messages  # n
    t_ns: Int64s  # [n] common axis
    fields: pl.Series  # String[n] JSON text, null where the payload is none
    bad_lines: Sequence[tuple[int, str]]  # the first of them: line number, what is wrong
    bad_count: int


def message_rows(source: str, facts: MessageFacts) -> Iterator[TrustRow]:
    """The rows of one recording, times on the common axis."""
    n = len(facts.rows)
    if not n:
        return
    first, last = int(facts.t_ns.min()), int(facts.t_ns.max())
    yield TrustRow(source, first, last, "coverage", "note", f"{n:,} messages", n, unit="messages")
    again = repeats(facts.rows.t_ns, [pl.Series(facts.rows.topic), _payloads(facts.rows)])
    yield from _repeated(source, facts, again)
    yield from _redelivered(source, facts)
    repeated = repeated_rows(again, n)
    yield from _lost(source, facts, repeated | facts.rows.duplicate)
    yield from retained_rows(source, facts.rows, facts.t_ns)
    yield from _unreadable(source, facts)
    yield from _out_of_order(source, facts, repeated)


def _payloads(rows: Messages) -> pl.Series:
    return pl.Series(rows.payloads(), dtype=pl.Binary)


def _repeated(source: str, facts: MessageFacts, found: Sequence[Repeat]) -> Iterator[TrustRow]:
    for each in found:
        count = each.last - each.first + 1
        times = facts.t_ns[each.original : each.original + count]
        what = f"{count} message{'s stand' if count != 1 else ' stands'} in it twice"
        yield TrustRow(
            source,
            int(times.min()),
            int(times.max()),
            "repeated",
            "doubtful",
            what,
            float(count),
            unit="messages",
        )


def _redelivered(source: str, facts: MessageFacts) -> Iterator[TrustRow]:
    """Messages with the DUP flag: a sender that was not sure sent them again."""
    rows = np.flatnonzero(facts.rows.duplicate)
    if len(rows):
        times = facts.t_ns[rows]
        what = f"{len(rows):,} with the DUP flag: sent again, maybe received before"
        yield TrustRow(
            source,
            int(times.min()),
            int(times.max()),
            "repeated",
            "note",
            what,
            float(len(rows)),
            unit="messages",
        )


def _lost(source: str, facts: MessageFacts, left_out: npt.NDArray[np.bool_]) -> Iterator[TrustRow]:
    counters = [c for c in _counters(facts, left_out) if c.counts()]
    for hole in holes(believed(counters), facts.t_ns):
        a, b = int(facts.t_ns[hole.before]), int(facts.t_ns[hole.after])
        numbers = f"{hole.missing:,} message{'s' * (hole.missing != 1)}"
        what = f"{numbers} not in it, by {', '.join(hole.names)}"
        yield TrustRow(
            source,
            min(a, b),
            max(a, b),
            "lost",
            "doubtful",
            what,
            float(hole.missing),
            unit="messages",
        )


def _counters(facts: MessageFacts, left_out: npt.NDArray[np.bool_]) -> Iterator[Counter]:
    """Numbers in the fields of each topic that may be counters."""
    frame = (
        pl.DataFrame({"topic": pl.Series(facts.rows.topic), "fields": facts.fields})
        .with_row_index("row")
        .filter(~pl.Series(left_out))
        .drop_nulls("fields")
    )
    parts = frame.partition_by("topic", as_dict=True, maintain_order=True)
    largest = sorted(parts.items(), key=lambda item: -item[1].height)[:_MOST_TOPICS]
    for (code,), events in largest:
        if events.height <= FEWEST_STEPS:
            continue
        topic, rows = facts.rows.topics[int(str(code))], events["row"].to_numpy().astype(np.int64)
        for path in list(dict.fromkeys(number_paths(events["fields"][0])))[:_MOST_PATHS]:
            at = "$" + "".join(f"[{p}]" if isinstance(p, int) else f"['{p}']" for p in path)
            if not _rises(_values(events["fields"].head(_TASTED), at)):
                continue
            values = _values(events["fields"], at)
            known = values.is_not_null().to_numpy()
            name = f"{topic} {'.'.join(map(str, path))}"
            yield Counter(topic, name, rows[known], values.drop_nulls().to_numpy())


def _values(fields: pl.Series, path: str) -> pl.Series:
    return fields.str.json_path_match(path).cast(pl.Int64, strict=False)


def _rises(values: pl.Series) -> bool:
    """Whether numbers look as if they counted."""
    steps = np.diff(values.drop_nulls().to_numpy())
    return bool(len(steps) and np.mean((steps > 0) & (steps <= _SMALL)) >= _RISES)


def retained_rows(source: str, rows: Messages, t_ns: Int64s) -> Iterator[TrustRow]:
    """A row for each topic with retained messages."""
    for code in np.unique(rows.topic[rows.retain]).tolist():
        at = np.flatnonzero(rows.retain & (rows.topic == code))
        times = t_ns[at]
        what = f"{rows.topics[code]}: {len(at):,} with the RETAIN flag may be older than they look"
        yield TrustRow(
            source,
            int(times.min()),
            int(times.max()),
            "retained",
            "note",
            what,
            float(len(at)),
            unit="messages",
        )


def _unreadable(source: str, facts: MessageFacts) -> Iterator[TrustRow]:
    """Lines that are no message, told by the messages before and after them."""
    if not facts.bad_count:
        return
    lines = facts.rows.line
    bad = np.array([line for line, _ in facts.bad_lines], np.int64)
    if facts.bad_count > len(bad):  # not all are remembered: the numbers that no message has
        bad = np.setdiff1d(np.arange(1, int(lines[-1]) + 1), lines)
    after = np.searchsorted(lines, bad)
    places, counts = np.unique(after, return_counts=True)
    for at, count in zip(places.tolist(), counts.tolist(), strict=True):
        before_ns = int(facts.t_ns[at - 1]) if at else None
        after_ns = int(facts.t_ns[at]) if at < len(lines) else None
        what = f"{count} line{'s' * (count != 1)} of the recording could not be read"
        yield TrustRow(
            source, before_ns, after_ns, "unreadable", "gap", what, float(count), unit="lines"
        )


def _out_of_order(
    source: str, facts: MessageFacts, repeated: npt.NDArray[np.bool_]
) -> Iterator[TrustRow]:
    rows = np.flatnonzero(~repeated)
    stamps, times = facts.rows.t_ns[rows], facts.t_ns[rows]
    for k in np.flatnonzero(np.diff(stamps) < 0).tolist():
        back = int(stamps[k] - stamps[k + 1])
        what = f"the recorder's clock goes back by {in_words(back)}"
        # Where the step is known, the two messages stand in their order on the axis all the same.
        yield TrustRow(
            source,
            int(times[k : k + 2].min()),
            int(times[k : k + 2].max()),
            "out-of-order",
            "doubtful",
            what,
            float(back),
            unit="ns",
        )

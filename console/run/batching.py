"""A batch of records as the rows of one transaction: blocks, counts, totals, happenings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from console.run.packing import CHUNK, HAPPENED, Row, packed, row_of
from console.run.rows import Loss, Mark, Named, Raised
from console.run.schema import BUCKET_NS
from console.run.waiting import Item
from console.sources.records import Arrived, Chunk, Happened

# A block is read as a whole, so it is kept small enough that one of each source fits in memory.
BLOCK_RECORDS = 4096
BLOCK_BYTES = 1 << 20

# Happenings that say something is missing or wrong.
TROUBLES = frozenset(("refused", "lost", "break", "framing", "parity"))


@dataclass(frozen=True, slots=True)
class Block:
    """Neighbouring records of one source, packed."""

    source: str
    first_ns: int
    last_ns: int
    first_seq: int
    last_seq: int
    records: int
    size: int  # bytes of data and payloads
    data: bytes


@dataclass(slots=True)
class Tally:
    """What is counted."""

    records: int = 0
    size: int = 0
    troubles: int = 0


@dataclass(slots=True)
class Rows:
    """Everything that one transaction adds."""

    blocks: list[Block] = field(default_factory=list)
    happenings: list[tuple[int, Happened]] = field(default_factory=list)  # (seq, what)
    losses: list[Loss] = field(default_factory=list)
    findings: list[Raised] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    named: list[Named] = field(default_factory=list)
    counts: dict[tuple[int, str], Tally] = field(default_factory=dict)  # by bucket and source
    kinds: dict[str, str] = field(default_factory=dict)  # of sources, as their records tell
    next_seq: int = 0


@dataclass(slots=True)
class _Open:
    """A block that is being filled."""

    rows: list[Row] = field(default_factory=list)
    size: int = 0


def rows_of(items: Iterable[Item], first_seq: int) -> Rows:
    """The rows of a batch.

    Args:
        items: in the order they were put.
        first_seq: place of its first record in the order of the whole run.
    """
    out = Rows(next_seq=first_seq)
    opened: dict[str, _Open] = {}
    for item in items:  # about 2 us a record, a twentieth of one core at 25,000 records a second
        if isinstance(item, Chunk | Arrived | Happened):
            block = opened.get(item.source)
            if block is None:
                block = opened[item.source] = _Open()
            block.rows.append(row_of(item, out.next_seq))
            if isinstance(item, Chunk):
                block.size += len(item.data)
            elif isinstance(item, Arrived):
                block.size += len(item.payload)
            else:
                out.happenings.append((out.next_seq, item))
            out.next_seq += 1
            if len(block.rows) >= BLOCK_RECORDS or block.size >= BLOCK_BYTES:
                _close(out, item.source, opened.pop(item.source))
        else:
            _add_rare(out, item)
    for source, block in opened.items():
        _close(out, source, block)
    return out


def _add_rare(out: Rows, item: Loss | Raised | Named | Mark) -> None:
    if isinstance(item, Loss):
        out.losses.append(item)
    elif isinstance(item, Raised):
        out.findings.append(item)
    elif isinstance(item, Named):
        out.named.append(item)
    else:
        out.marks.append(item)


def _close(out: Rows, source: str, block: _Open) -> None:
    rows = block.rows
    times = [row[0] for row in rows]
    first_ns, last_ns = min(times), max(times)
    out.blocks.append(
        Block(
            source, first_ns, last_ns, rows[0][1], rows[-1][1], len(rows), block.size, packed(rows)
        )
    )
    kind = next((row[2] for row in rows if row[2] != HAPPENED), None)
    if kind is not None:
        out.kinds[source] = ("prints", "messages")[kind]
    _count(out.counts, source, block, first_ns // BUCKET_NS == last_ns // BUCKET_NS)


def _count(
    counts: dict[tuple[int, str], Tally], source: str, block: _Open, one_bucket: bool
) -> None:
    parts: Sequence[Sequence[Row]] = [block.rows] if one_bucket else [[row] for row in block.rows]
    for rows in parts:
        bucket = rows[0][0] // BUCKET_NS * BUCKET_NS
        tally = counts.setdefault((bucket, source), Tally())
        tally.records += len(rows)
        tally.size += block.size if one_bucket else _bytes_of(rows[0])
        tally.troubles += sum(row[2] == HAPPENED and row[3] in TROUBLES for row in rows)


def _bytes_of(row: Row) -> int:
    return 0 if row[2] == HAPPENED else len(row[3] if row[2] == CHUNK else row[4])

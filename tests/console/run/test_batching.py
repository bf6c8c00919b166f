from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from console.run.batching import BLOCK_BYTES, BLOCK_RECORDS, Tally, rows_of
from console.run.packing import record_of, unpacked
from console.run.rows import Loss, Mark, Named, Raised
from console.run.schema import BUCKET_NS, PLAIN
from console.sources.records import Arrived, Chunk, Happened, Record
from tests.console.run.making import RECORDS, START_NS, lines


@settings(deadline=None)  # machines are busy
@given(st.lists(RECORDS, max_size=60))
def test_every_record_is_in_a_block_of_its_source_at_its_place(records: list[Record]) -> None:
    rows = rows_of(records, 100)
    found = {
        row[1]: record_of(row, block.source)
        for block in rows.blocks
        for row in unpacked(block.data, block.records, PLAIN)
    }
    assert found == dict(enumerate(records, 100))
    assert rows.next_seq == 100 + len(records)


@settings(deadline=None)  # machines are busy
@given(st.lists(RECORDS, max_size=60))
def test_counts_and_happenings_add_up(records: list[Record]) -> None:
    rows = rows_of(records, 1)
    expected: dict[tuple[int, str], Tally] = {}
    for record in records:
        tally = expected.setdefault((record.t_ns // BUCKET_NS * BUCKET_NS, record.source), Tally())
        tally.records += 1
        tally.size += len(getattr(record, "data", getattr(record, "payload", b"")))
        tally.troubles += getattr(record, "what", "") in (
            "refused", "lost", "break", "framing", "parity",
        )  # fmt: skip
    assert rows.counts == expected
    assert [h for _, h in rows.happenings] == [r for r in records if isinstance(r, Happened)]
    assert sum(block.size for block in rows.blocks) == sum(t.size for t in expected.values())


def test_a_block_says_what_it_spans() -> None:
    records = [Chunk("a", t, b"xy") for t in (START_NS + 5, START_NS, START_NS + 9)]
    (block,) = rows_of(records, 7).blocks
    assert (block.first_ns, block.last_ns) == (START_NS, START_NS + 9)
    assert (block.first_seq, block.last_seq, block.records, block.size) == (7, 9, 3, 6)


def test_blocks_are_cut_by_records_and_by_bytes() -> None:
    many = rows_of(lines(2 * BLOCK_RECORDS + 1), 1).blocks
    assert [block.records for block in many] == [BLOCK_RECORDS, BLOCK_RECORDS, 1]
    large = [Chunk("a", START_NS, bytes(BLOCK_BYTES // 2)) for _ in range(3)]
    assert [block.records for block in rows_of(large, 1).blocks] == [2, 1]


def test_what_is_no_record_goes_to_its_own_table() -> None:
    raised = Raised(1, 1, "r", "fault", "p", "s", "x", "{}")
    mark, named, loss = Mark(1, 1, "user"), Named("a", "prints"), Loss("a", 1, 2, 3, 4, "full")
    rows = rows_of([raised, mark, named, loss], 5)
    assert (rows.findings, rows.marks, rows.named, rows.losses) == (
        [raised], [mark], [named], [loss],
    )  # fmt: skip
    assert (rows.blocks, rows.next_seq) == ([], 5)


def test_the_kind_of_a_source_is_told_by_its_data() -> None:
    items: list[Record] = [
        Happened("a", 1, "opened"), Chunk("a", 2, b""), Arrived("b", 3, "t", b""),
        Happened("c", 4, "refused"),
    ]  # fmt: skip
    assert rows_of(items, 1).kinds == {"a": "prints", "b": "messages"}

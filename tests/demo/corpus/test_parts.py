"""Parts that do not answer, or answer with what means nothing."""

from __future__ import annotations

from itertools import groupby, pairwise

import numpy as np

from captures_demo.simulator.corpus.contents import FIFO, FIFO_COUNT, SERIAL
from captures_demo.simulator.devices import pec
from tests.demo.corpus.evidence import MILLI, Seen, pair


def test_a_deaf_part_leaves_its_address_alone_for_good_and_nothing_else_changes() -> None:
    run, twin = pair("deaf-target")
    rows = run.of_part(run.wrong_ns)
    assert len(rows) >= 20
    assert not any(row.address_acked for row in rows)
    others = [row for row in run.rows() if row.address != run.address]
    same = [row for row in twin.rows() if row.address != run.address]
    assert [(row.data, row.acks) for row in others] == [(row.data, row.acks) for row in same]


def test_a_busy_part_is_silent_for_about_as_long_after_each_command() -> None:
    run, twin = pair("busy-target")
    runs = [
        len(list(rows))
        for acked, rows in groupby(run.of_part(), key=lambda row: row.address_acked)
        if not acked
    ]
    assert len(runs) >= 3
    assert max(runs) - min(runs) <= 1
    assert run.of_part()[-1].address_acked
    assert all(row.address_acked for row in twin.of_part())


def test_a_frozen_part_sends_the_same_bytes_with_a_right_check_byte() -> None:
    run, twin = pair("frozen-target")
    replies = {row.data for row in run.reads(run.wrong_ns)}
    assert len(run.reads(run.wrong_ns)) >= 20
    assert len(replies) == 1
    assert len({row.data for row in twin.reads()}) == len(twin.reads())
    assert all(row.address_acked for row in run.of_part())


def test_a_released_line_reads_as_ones_check_byte_and_all() -> None:
    run, twin = pair("released-line")
    rows = run.reads(run.wrong_ns)
    assert len(rows) >= 20
    assert all(row.address_acked and set(row.data) == {0xFF} for row in rows)
    assert not any(set(row.data) == {0xFF} for row in twin.reads())


def test_two_parts_of_one_address_are_read_as_the_and_of_both() -> None:
    run, twin = pair("address-clash")
    for row, alone in zip(run.reads(run.wrong_ns), twin.reads(run.wrong_ns), strict=True):
        both = int.from_bytes(row.data, "big")
        assert both & ~int.from_bytes(alone.data, "big") == 0
    changed = [
        row.data != alone.data
        for row, alone in zip(run.reads(run.wrong_ns), twin.reads(run.wrong_ns), strict=True)
    ]
    assert sum(changed) >= 20


def test_after_the_missed_edge_the_line_stays_asserted_and_nobody_asks_or_complains() -> None:
    run, twin = pair("missed-data-ready")
    name = run.part["name"]
    assert run.reads(0, run.wrong_ns + 1)[-1].ended_by == "stop"
    assert run.of_part(run.wrong_ns) == []
    changes, levels = run.changes("drdy")
    assert (int(changes[-1]), bool(levels[-1])) == (run.wrong_ns, False)
    later = run.prints("", run.wrong_ns + 5 * MILLI)
    assert len(later) > 5
    assert not any(name in line.text for line in later)
    assert all(width < 20 * MILLI for width in widths(twin, "drdy"))


def widths(seen: Seen, line: str) -> list[int]:
    return [pulse.width_ns for pulse in seen.pulses(line, high=False)]


def test_the_data_ready_line_is_not_captured_in_every_other_variant() -> None:
    run, _ = pair("missed-data-ready", 1)
    assert run.run.trace.channels == ["scl", "sda"]


def test_a_reply_begins_with_what_was_left_of_the_one_before() -> None:
    run, twin = pair("leftover-byte")
    stream = b"".join(row.data for row in run.reads())
    loaded = b"".join(row.data for row in twin.reads())
    assert loaded.startswith(stream)  # nothing is lost, all of it is late
    behind = np.cumsum([4 - len(row.data) for row in run.reads()])
    assert behind[-1] > 4
    assert {len(row.data) for row in twin.reads()} == {4}


def test_a_fifo_that_lost_bytes_rotates_its_records_and_the_register_stays_right() -> None:
    run, twin = pair("fifo-slip")

    def after(seen: Seen, register: int) -> list[bytes]:
        rows = seen.of_part(run.wrong_ns)
        pairs = pairwise(rows)
        return [b.data for a, b in pairs if a.data == bytes([register]) and b.read]

    assert all(int.from_bytes(count, "big") % 6 == 0 for count in after(twin, FIFO_COUNT))
    assert all(int.from_bytes(count, "big") % 6 for count in after(run, FIFO_COUNT))
    lost = int(run.label.note.split()[0])
    assert b"".join(after(twin, FIFO)).find(b"".join(after(run, FIFO))) == lost
    sample = run.part["packet"][0]["register"]
    assert after(run, sample) == after(twin, sample)


def test_one_register_has_the_same_wrong_pair_each_time() -> None:
    run, twin = pair("deterministic-check-failure")

    def wrong(seen: Seen) -> list[bytes]:
        rows = seen.of_part()
        bad = []
        for a, b in pairwise(rows):
            head = bytes([run.address << 1]) + a.data + bytes([run.address << 1 | 1])
            if b.read and pec(head + b.data[:-1]) != b.data[-1]:
                bad.append(a.data + b.data)
        return bad

    assert wrong(twin) == []
    assert len(wrong(run)) >= 20
    assert len(set(wrong(run))) == 1
    assert wrong(run)[0][0] == SERIAL

"""Who calls the bus, when, and by which way."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from captures_demo.simulator.corpus.parts import CONFIG
from captures_demo.simulator.devices import pec
from tests.demo.corpus.evidence import MILLI, Seen, pair


def test_a_foreign_read_lies_between_register_and_reply_that_fits_the_other() -> None:
    run, twin = pair("interleaved-callers")

    def strangers(seen: Seen) -> int:
        """Reads whose last written register was not the one they were meant for."""
        rows = seen.of_part(run.wrong_ns)
        register = bytes([CONFIG])
        return sum(
            [a.data, b.read, c.read] == [register, True, True]
            for a, b, c in zip(rows, rows[1:], rows[2:], strict=False)
        )

    assert strangers(run) >= 10
    assert strangers(twin) == 0


def test_transfers_stop_at_any_bit_for_longer_than_smbus_allows() -> None:
    run, twin = pair("starved-transfer")
    stops = [pulse for pulse in run.pulses("scl", high=False) if pulse.width_ns > 5 * MILLI]
    assert len(stops) >= 20
    assert min(pulse.width_ns for pulse in stops) > 25 * MILLI
    slots = set()
    for pulse in stops:
        row = [row for row in run.rows() if row.start_ns <= pulse.start_ns][-1]
        rises = run.pulses("scl", high=True, from_ns=row.start_ns, until_ns=pulse.start_ns)
        slots.add(len(rises) % 9)
    assert len(slots) > 4
    assert [p for p in twin.pulses("scl", high=False) if p.width_ns > 5 * MILLI] == []


def test_retries_at_once_grow_until_the_part_never_answers() -> None:
    run, twin = pair("nack-hammer")
    nacks = [row.start_ns for row in run.of_part() if not row.address_acked]
    assert float(np.median(np.diff(nacks))) < MILLI
    per_poll = np.histogram(nacks, bins=12, range=(0, run.wrong_ns))[0]
    assert per_poll[-3:].sum() > 1.5 * per_poll[:3].sum()
    assert not any(row.address_acked for row in run.of_part(run.wrong_ns + MILLI))
    twins = [row.start_ns for row in twin.of_part() if not row.address_acked]
    assert len(twins) < len(nacks) / 2
    assert any(row.address_acked for row in twin.of_part(run.wrong_ns + MILLI))


def test_all_that_is_read_before_the_conversion_ends_is_filler_with_a_right_check_byte() -> None:
    run, twin = pair("read-too-soon")
    needed_ns = int(run.label.note.split()[-1]) * 1_000
    rows = run.of_part()
    waits = [(b.start_ns - a.end_ns, b) for a, b in pairwise(rows) if b.read and not a.read]
    soon = [row for wait_ns, row in waits if wait_ns < needed_ns - 60_000]
    late = [row for wait_ns, row in waits if wait_ns >= needed_ns]
    assert len(soon) >= 20
    assert {row.data[:4] for row in soon} == {b"\xff\xff\xff\xff"}
    assert all(row.data[:4] != b"\xff\xff\xff\xff" for row in late)
    codes = [row.data[4:] for row in soon if len(row.data) == 5]
    head = bytes([run.address << 1 | 1])
    assert set(codes) <= {bytes([pec(head + b"\xff" * 4)])}
    assert not any(row.data[:4] == b"\xff\xff\xff\xff" for row in twin.reads())


@pytest.mark.parametrize("variant", [0, 1, 6])  # each way once
def test_the_channel_is_not_selected_when_the_part_is_asked(variant: int) -> None:
    run, twin = pair("mux-misroute", variant)
    mux = next(row.address for row in twin.rows() if row.address >= 0x70)
    way = run.label.note
    selects = [row for row in run.rows(run.wrong_ns) if row.address == mux and row.data != b"\0"]
    usual = {r.data for r in twin.rows() if r.address == mux and r.data != b"\0"}
    if way.endswith("refused"):
        assert len(selects) >= 20
        assert not any(row.address_acked for row in selects)
    elif way.endswith("forgotten"):
        assert len(selects) <= 1
    else:
        assert len(selects) >= 20
        assert {row.data for row in selects}.isdisjoint(usual)
    assert len(usual) == 1
    answered = [row.address_acked for row in run.of_part(run.wrong_ns)]
    assert all(answered) == way.endswith("open")

"""I2C transactions from waves: framing, addressing, acknowledges (UM10204 Rev. 7.0)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses.i2c import I2cDecoder
from decoders.buses.i2c_limits import FAST, FAST_PLUS, STANDARD, Limits
from decoders.captures.edges import Edges
from tests.decoders.buses.rows import (
    Row,
    blocks_of,
    decoded,
    edges_of,
    rows_of,
    states_of,
    transaction_rows,
)
from tests.decoders.buses.wave import Wave

# UM10204 sections 3.1.4 to 3.1.6


def test_write_has_its_address_bytes_and_acknowledges() -> None:
    (row,) = rows_of(Wave().wait().start().byte(0x5C).byte(0x12).byte(0xEF, ack=False).stop())
    assert row[2:10] == (
        *(0x2E, 7, False, True, ((0x12, True), (0xEF, False)), "start", "stop", 0),
    )
    assert row.problems == ("data-nack",)


def test_times_are_those_of_start_and_stop() -> None:
    wave = Wave(at_ns=-1_000_000).wait(400_000)
    begin = wave.now_ns + wave.quarter_ns
    wave.transaction(0x2E, b"\x01").stop()
    (row,) = rows_of(wave)
    assert (row.start_ns, row.end_ns) == (begin, wave.now_ns - wave.quarter_ns)


def test_repeated_start_opens_a_second_transaction() -> None:
    first, second = rows_of(
        Wave().transaction(0x2E, b"\x07").transaction(0x2E, b"\x01\x02", read=True).stop()
    )
    assert (first.ended_by, second.started_by, second.ended_by) == ("restart", "restart", "stop")
    assert (first.end_ns, first.values) == (second.start_ns, b"\x07")
    assert (second.read, second.data) == (True, ((1, True), (2, False)))
    assert first.problems == second.problems == ()


def test_bytes_are_sent_most_significant_bit_first() -> None:
    wave = Wave().start().byte(0x5C)
    for bit in (1, 0, 0, 0, 0, 0, 1, 0, 0):
        wave.bit(bit)
    assert rows_of(wave.stop())[0].data == ((0x82, True),)


# The five reasons of UM10204 section 3.1.6, by what a capture can tell of them: 1 nobody there and
# 2 busy; 3 not understood and 4 no room for more; 5 the controller ends its read, which is normal.
@pytest.mark.parametrize(
    ("reasons", "read", "acks", "problems"),
    [
        ((1, 2), False, [False], ("address-nack",)),
        ((1, 2), True, [False], ("address-nack",)),
        ((3, 4), False, [True, False], ("data-nack",)),
        ((3, 4), False, [True, True, True, False], ("data-nack",)),
        ((5,), True, [True, True, True, False], ()),
        ((5,), True, [True, False], ()),
    ],
)
def test_where_a_nack_stands_tells_its_reasons(
    reasons: tuple[int, ...], read: bool, acks: list[bool], problems: tuple[str, ...]
) -> None:
    wave = Wave().start()
    for k, ack in enumerate(acks):
        wave.byte(0x5C | read if k == 0 else 0x11, ack=ack)
    (row,) = rows_of(wave.stop())
    assert (row.address_acked, [acked for _, acked in row.data]) == (acks[0], acks[1:])
    assert row.problems == problems, reasons


def test_nobody_at_an_address_is_an_address_nack() -> None:
    (row,) = rows_of(Wave().start().byte(0x5C, ack=False).stop())
    assert (row.address, row.address_acked, row.data) == (0x2E, False, ())
    assert row.problems == ("address-nack",)


def test_zero_length_write_is_a_transaction_without_data() -> None:
    (row,) = rows_of(Wave().start().byte(0x5C).stop())
    assert (row.address, row.address_acked, row.data, row.problems) == (0x2E, True, (), ())


def test_read_that_ends_without_a_nack_is_a_problem() -> None:
    """UM10204 section 3.1.10: the controller ends a read by a NACK."""
    wave = Wave().transaction(0x2E, b"\x01\x02", read=True, last_acked=True).stop()
    assert rows_of(wave)[0].problems == ("read-end-acked",)


def test_start_directly_followed_by_stop_is_void() -> None:
    """UM10204 section 3.1.10 note 5."""
    (row,) = rows_of(Wave().start().stop())
    assert (row.address, row.address_bits, row.data, row.problems) == (-1, 0, (), ("void",))


def test_start_and_stop_without_any_clock_is_void() -> None:
    (row,) = rows_of(Wave().wait().set(sda=0).wait().set(sda=1).wait())
    assert (row.end_ns - row.start_ns, row.problems) == (2500, ("void",))


@pytest.mark.parametrize("bits", range(1, 9))
def test_start_inside_a_byte_begins_a_new_transaction(bits: int) -> None:
    """UM10204 section 3.1.10 note 4: every device resets its bus logic, even in mid byte."""
    wave = Wave().start().byte(0x5C).byte(0x11)
    for _ in range(bits):
        wave.bit(0)
    first, second = rows_of(wave.transaction(0x2E, b"\x22").stop())
    assert (first.ended_by, first.bits_over, first.values) == ("start", bits, b"\x11")
    assert first.problems == ("cut-in-byte", "no-stop")
    assert (second.started_by, second.values, second.problems) == ("start", b"\x22", ())


def test_stop_inside_a_byte_keeps_the_whole_bytes() -> None:
    (row,) = rows_of(Wave().start().byte(0x5C).byte(0x11).bit(1).bit(0).bit(1).stop())
    assert (row.ended_by, row.bits_over, row.values) == ("stop", 3, b"\x11")
    assert row.problems == ("cut-in-byte",)


def test_start_long_after_an_open_transaction_is_a_missing_stop() -> None:
    wave = Wave().transaction(0x2E, b"\x01")
    wave.wait().set(sda=1).wait().set(scl=1)  # let go of the lines without a STOP
    quiet_ns = wave.now_ns
    wave.wait(1_000_000_000).transaction(0x2E, b"\x02").stop()
    first, second = rows_of(wave)
    assert (first.ended_by, first.problems, first.end_ns) == ("start", ("no-stop",), quiet_ns)
    assert (second.started_by, second.problems) == ("start", ())
    assert (quiet_ns, second.start_ns, "busy") in states_of(wave)


def test_start_right_after_stop_is_a_new_transaction() -> None:
    wave = Wave().transaction(0x2E, b"\x01").wait().set(sda=0).wait().set(scl=1)
    wave.wait().set(sda=1).set(sda=0)  # STOP and START at one time stamp
    wave.wait().set(scl=0).byte(0x5C).stop()
    first, second = rows_of(wave, spike_ns=0)
    assert (first.ended_by, second.started_by) == ("stop", "start")
    assert first.end_ns == second.start_ns


# UM10204 table 11 and section 3.1.9: speed and stretching


@pytest.mark.parametrize(
    ("mode", "byte_ns", "three_ns", "five_ns"),
    [
        (STANDARD, 90_000, 270_000, 450_000),
        (FAST, 22_500, 67_500, 112_500),
        (FAST_PLUS, 9_000, 27_000, 45_000),
    ],
)
def test_bytes_at_full_speed_last_nine_clocks_each(
    mode: Limits, byte_ns: int, three_ns: int, five_ns: int
) -> None:
    assert [mode.clocks_ns(9 * n) for n in (1, 3, 5)] == [byte_ns, three_ns, five_ns]
    period_ns = mode.clocks_ns(1)
    rows = [rows_of(Wave(period_ns).transaction(0x2E, bytes(n)).stop())[0] for n in (0, 1, 3, 5)]
    spans = [row.end_ns - row.start_ns for row in rows]
    assert [span - spans[0] for span in spans[1:]] == [byte_ns, three_ns, five_ns]
    assert [row.values for row in rows] == [bytes(n) for n in (0, 1, 3, 5)]


def test_clock_stretching_shows_as_the_longest_low() -> None:
    wave = Wave().start().byte(0x5C).stretch(974_000).byte(0x01).stretch(60_000).byte(2).stop()
    (row,) = rows_of(wave)
    # A stretch is added to the low half of the clock.
    assert (row.scl_low_max_ns, row.values, row.problems) == (979_000, b"\x01\x02", ())


def test_stretch_of_every_low_leaves_the_bytes_as_they_are() -> None:
    wave = Wave().start()
    for bit in (0, 1, 0, 1, 1, 1, 0, 0, 0):
        wave.stretch(30_000).bit(bit)
    (row,) = rows_of(wave.stop())
    assert (row.address, row.address_acked, row.scl_low_max_ns) == (0x2E, True, 35_000)


# Captures that begin or end inside


def test_capture_that_begins_inside_a_transaction_resumes_at_the_next_condition() -> None:
    wave = Wave(scl=0, sda=1)
    wave.bit(1).bit(0).byte(0x5C).stop().wait(100_000).transaction(0x2E, b"\x01").stop()
    cut, whole = rows_of(wave)
    assert (cut.start_ns, cut.address, cut.address_bits, cut.data) == (0, -1, 0, ())
    assert (cut.started_by, cut.ended_by, cut.problems) == ("cut", "stop", ("begins-cut",))
    assert (whole.started_by, whole.address, whole.problems) == ("start", 0x2E, ())


def test_capture_that_begins_inside_resumes_at_a_repeated_start() -> None:
    cut, whole = rows_of(Wave(scl=0).byte(0x12).transaction(0x2E, b"\x01").stop())
    assert (cut.started_by, cut.ended_by) == ("cut", "restart")
    assert (whole.started_by, whole.values) == ("restart", b"\x01")


def test_capture_that_begins_idle_has_no_cut_transaction() -> None:
    wave = Wave().wait(30_000_000).set(scl=0).wait().set(scl=1)
    wave.wait().transaction(0x2E, b"\x01").stop()
    assert [row.started_by for row in rows_of(wave)] == ["start"]
    assert [state for _, _, state in states_of(wave)] == ["idle", "noise", "idle", "idle"]


def test_capture_that_ends_inside_a_transaction_keeps_what_was_seen() -> None:
    wave = Wave().transaction(0x2E, b"\x01").bit(1).bit(1)
    (row,) = rows_of(wave)
    assert (row.ended_by, row.values, row.bits_over) == ("cut", b"\x01", 2)
    assert (row.end_ns, row.problems) == (wave.now_ns, ("ends-cut", "no-stop"))


def test_gap_in_observation_cuts_the_open_transaction() -> None:
    first, second = Wave().transaction(0x2E, b"\x01"), Wave(at_ns=900_000_000)
    second.transaction(0x2E, b"\x02").stop()
    transactions, states = decoded(I2cDecoder(0, 1), [first.edges(), second.edges()])
    assert [(row[7], row[8]) for row in transactions] == [("start", "cut"), ("start", "stop")]
    assert (first.now_ns, 900_000_000, "not-observed", -1, "unknown") in states


@pytest.mark.parametrize(
    ("scl", "sda", "state"), [(1, 1, "idle"), (1, 0, "busy"), (0, 1, "busy"), (0, 0, "busy")]
)
def test_capture_of_one_row_tells_the_state_of_the_lines(scl: int, sda: int, state: str) -> None:
    wave = Wave(scl=scl, sda=sda).wait(5_000)
    assert rows_of(wave) == []
    assert states_of(wave) == [(0, 5_000, state)]


def test_capture_without_rows_gives_nothing() -> None:
    nothing = Edges(np.empty(0, np.int64), np.empty(0, np.uint8), True, 0)
    assert decoded(I2cDecoder(0, 1), [nothing]) == ([], [])


def test_clocks_without_a_start_are_noise() -> None:
    wave = Wave().transaction(0x2E, b"\x01").stop().wait(50_000)
    begin = wave.now_ns
    for _ in range(9):
        wave.set(scl=0).wait(5_000).set(scl=1).wait(5_000)
    wave.wait(50_000).transaction(0x2E, b"\x02").stop()
    assert (begin, begin + 85_000, "noise") in states_of(wave)
    assert [row.values for row in rows_of(wave)] == [b"\x01", b"\x02"]


def test_lone_edge_at_the_end_of_the_capture_is_noise() -> None:
    wave = Wave().transaction(0x2E, b"\x01").stop().wait(50_000)
    begin = wave.now_ns
    assert (begin, begin, "noise") in states_of(wave.set(scl=0).wait(5_000))


# Live feeds


def test_rows_wait_for_more_until_so_much_time_is_covered() -> None:
    wave = Wave().transaction(0x2E, b"\x01").stop()
    first_ns, decoder = wave.rows[1][0], I2cDecoder(0, 1, wait_ns=5_000_000)
    given = [len(decoder.feed(wave.edges())[0])]
    for later_ns in (4_999_999, 5_000_000):
        nothing = Edges(np.empty(0, np.int64), np.empty(0, np.uint8), False, first_ns + later_ns)
        given.append(len(decoder.feed(nothing)[0]))
    assert given == [0, 0, 1]


def test_transaction_is_given_as_soon_as_its_stop_cannot_be_a_spike() -> None:
    wave = Wave().transaction(0x2E, b"\x01").stop()
    edges, decoder = wave.edges(int(wave.rows[-1][0])), I2cDecoder(0, 1, wait_ns=0)
    assert len(decoder.feed(edges)[0]) == 0
    later = Edges(edges.t_ns[:0], edges.levels[:0], False, edges.until_ns + 50)
    assert len(decoder.feed(later)[0]) == 1


def test_what_is_unfinished_can_be_asked_without_ending_it() -> None:
    wave = Wave().transaction(0x2E, b"\x01\x02")
    (early, late), decoder = blocks_of(wave.edges(), [50]), I2cDecoder(0, 1)
    decoder.feed(early)
    assert [row[6:9] for row in transaction_rows(decoder.unfinished()[0])] == [
        (((1, True),), "start", "cut")
    ]
    assert decoded(decoder, [late]) == decoded(I2cDecoder(0, 1), [wave.edges()])


# Both lines changing in one row


def test_sda_changing_with_a_falling_clock_changes_after_it() -> None:
    rows = [(0, 1, 1), (10, 1, 0), (20, 0, 0)]
    for value in (0, 1, 0, 1, 1, 1, 0, 0, 0):
        t = rows[-1][0]
        rows += [(t + 10, 0, value)] if value != rows[-1][2] else []
        # The clock falls and SDA is let go in one row: the bit is what stood before.
        rows += [(t + 20, 1, value), (t + 30, 0, 1 - value)]
    t = rows[-1][0]
    rows += [(t + 10, 0, 0), (t + 20, 1, 0), (t + 30, 1, 1)]
    transactions, _ = decoded(I2cDecoder(0, 1, spike_ns=0), [edges_of(rows, t + 30)])
    assert [(row[2], row[5], row[8]) for row in transactions] == [(0x2E, True, "stop")]


def test_sda_changing_with_a_rising_clock_changes_before_it() -> None:
    rows = [(0, 1, 1), (10, 1, 0), (20, 0, 0)]
    for value in (0, 1, 0, 1, 1, 1, 0, 0, 0):
        t = rows[-1][0]
        rows += [(t + 20, 1, value), (t + 30, 0, value)]
    t = rows[-1][0]
    rows += [(t + 20, 1, 0), (t + 30, 1, 1)]
    transactions, _ = decoded(I2cDecoder(0, 1, spike_ns=0), [edges_of(rows, t + 30)])
    assert [(row[2], row[5], row[8]) for row in transactions] == [(0x2E, True, "stop")]


def test_rows_with_equal_times_keep_their_order() -> None:
    wave = Wave(0)  # no time passes at all
    wave.transaction(0x2E, b"\x01\x02").stop()
    (row,) = rows_of(wave, spike_ns=0)
    assert (row.start_ns, row.end_ns, row.values) == (0, 0, b"\x01\x02")


# Round trip

MESSAGES = st.lists(
    st.tuples(st.integers(8, 0x77), st.booleans(), st.binary(max_size=5), st.booleans()),
    min_size=1,
    max_size=6,
)


@settings(max_examples=60, deadline=None)
@given(messages=MESSAGES, cuts=st.lists(st.integers(0, 600), max_size=4))
def test_what_was_put_on_the_wire_is_decoded(
    messages: Sequence[tuple[int, bool, bytes, bool]], cuts: Sequence[int]
) -> None:
    wave = Wave()
    for address, read, data, stops in messages:
        wave.wait(10_000).transaction(address, data, read=read)
        if stops:
            wave.stop()
    if not messages[-1][3]:
        wave.stop()
    transactions, _ = decoded(I2cDecoder(0, 1), blocks_of(wave.edges(), cuts))
    rows = [Row(*row) for row in transactions]  # type: ignore[arg-type]
    assert [(row.address, row.read, row.values) for row in rows] == [
        (address, read, data) for address, read, data, _ in messages
    ]
    assert [row.problems for row in rows] == [()] * len(messages)


@pytest.mark.parametrize(
    ("scl", "sda", "spike_ns", "held_ns"),
    [(0, 0, 50, 1), (-1, 0, 50, 1), (0, 64, 50, 1), (0, 1, -1, 1), (0, 1, 50, 0)],
)
def test_impossible_settings_are_refused(scl: int, sda: int, spike_ns: int, held_ns: int) -> None:
    with pytest.raises(ValueError, match=r"SCL and SDA|impossible limits"):
        I2cDecoder(scl, sda, spike_ns=spike_ns, held_ns=held_ns)

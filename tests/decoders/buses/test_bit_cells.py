"""The wire under transactions: the bits the decoder read, what they are for, whose turn it was."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.buses.bit_cells import MARGIN_NS, NO_TIME, BitCells, bit_cells
from decoders.buses.held_lines import BOTH_HELD, SCL_HELD, SDA_HELD
from decoders.buses.i2c import I2cDecoder
from decoders.buses.i2c_segments import Header
from decoders.buses.transactions import LINE_STATES
from tests.decoders.buses.cells import bytes_on_wire, cells_of, kinds, turns
from tests.decoders.buses.reference import Stretch
from tests.decoders.buses.rows import Row, decoded, edges_of, rows_of, state_rows
from tests.decoders.buses.test_i2c_properties import HELD_NS, SPIKE_NS, built_rows, random_rows
from tests.decoders.buses.wave import SCL, SDA, Wave

HELD_WORDS = ("sda-held", "scl-held", "both-held")


def cells(wave: Wave, row: int = 0) -> BitCells:
    """Cells of one transaction of a wave."""
    chosen = rows_of(wave)[row]
    restarted = chosen.started_by == "restart"
    return bit_cells(wave.edges(), SCL, SDA, chosen.start_ns, chosen.end_ns, restarted=restarted)


# --- agreement with the decoder


@st.composite
def observed(draw: st.DrawFn) -> Stretch:
    """Any wave whose rows have times of their own: by times alone a transaction is looked up."""
    rows = draw(built_rows() | random_rows())
    rows = [(t + k, scl, sda) for k, (t, scl, sda) in enumerate(rows)]
    return Stretch(rows, rows[-1][0] + draw(st.sampled_from([0, 1, HELD_NS, 3 * HELD_NS])))


@settings(max_examples=150, deadline=None)
@given(stretch=observed(), spike_ns=st.sampled_from([0, SPIKE_NS]))
def test_cells_are_what_the_decoder_made_of_each_transaction(
    stretch: Stretch, spike_ns: int
) -> None:
    edges = edges_of(stretch.rows, stretch.until_ns)
    decoder = I2cDecoder(SCL, SDA, spike_ns=spike_ns, held_ns=HELD_NS)
    transactions, states = decoded(decoder, [edges])
    held = [state for state in states if state[2] in HELD_WORDS]
    for row in (Row(*each) for each in transactions):  # type: ignore[arg-type]
        span = row.start_ns, row.end_ns
        got = bit_cells(
            *(edges, SCL, SDA, *span),
            spike_ns=spike_ns,
            held_ns=HELD_NS,
            restarted=row.started_by == "restart",
        )
        assert said(got) == expected(row)
        overlapping = [s for s in held if s[0] <= span[1] and s[1] > span[0]]
        assert state_rows(got.holds) == overlapping


def said(got: BitCells) -> tuple[object, ...]:
    """What the cells say of the first transaction, in the words of its row."""
    whole, over = bytes_on_wire(got)
    is_ten_bit_write = bool(whole) and whole[0][0] & 0xF9 == 0xF0  # UM10204 section 3.1.11
    head, data = whole[: 1 + is_ten_bit_write], whole[1 + is_ten_bit_write :]
    acked = len(head) == 1 + is_ten_bit_write and all(acked for _, acked in head)
    started = "cut" if got.begins_cut else {"START": "start"}.get(kinds(got)[0], "restart")
    ended = "open" if got.ends_open or kinds(got)[-1] == "START" else kinds(got)[-1]
    low_max = int(got.low_ns.max(initial=0)) if ended != "open" else -1
    return started, acked, data, over, ended, low_max


def expected(row: Row) -> tuple[object, ...]:
    ended = {"stop": "STOP", "restart": "repeated START"}.get(row.ended_by, "open")
    low_max = row.scl_low_max_ns if ended != "open" else -1
    return row.started_by, row.address_acked, list(row.data), row.bits_over, ended, low_max


@settings(max_examples=60, deadline=None)
@given(
    data=st.lists(st.binary(min_size=1, max_size=3), min_size=2, max_size=4),
    spiked=st.lists(st.sampled_from(["scl", "sda", ""]), min_size=4, max_size=4),
    chosen=st.integers(0, 3),
)
def test_edges_with_a_margin_are_as_good_as_the_whole_capture(
    data: list[bytes], spiked: list[str], chosen: int
) -> None:
    wave = Wave().wait(20_000)
    for one, line in zip(data, spiked, strict=False):
        wave.transaction(0x2E, one)
        if line:
            wave.spike(line, 40)
        wave.bit(1)
        wave.stop().wait(20_000)
    row = rows_of(wave)[chosen % len(data)]
    whole = wave.edges()
    low = int(whole.t_ns.searchsorted(row.start_ns - MARGIN_NS)) - 1
    high = int(whole.t_ns.searchsorted(row.end_ns + MARGIN_NS, "right"))
    until_ns = int(whole.t_ns[high]) if high < len(whole.t_ns) else whole.until_ns
    near = type(whole)(whole.t_ns[low:high], whole.levels[low:high], True, until_ns)
    span = row.start_ns, row.end_ns
    far, close = (bit_cells(edges, SCL, SDA, *span) for edges in (whole, near))
    for name in ("kind", "begin_ns", "rise_ns", "at_ns", "end_ns", "level", "slot", "spikes_ns"):
        assert getattr(far, name).tolist() == getattr(close, name).tolist()


# --- roles and turns


# Who drives SDA in which slot: UM10204 sections 3.1.5, 3.1.6, 3.1.10, 3.1.11, 3.1.13 and 3.1.15.
# a address, r R/W, k acknowledge, d data; c controller, t target, u unknown.
@pytest.mark.parametrize(
    ("what", "on_wire", "roles", "turn"),
    [
        ("write", [0x5C, 0x11], "aaaaaaark ddddddddk", "cccccccct cccccccct"),
        ("read", [0x5D, 0x11], "aaaaaaark ddddddddk", "cccccccct ttttttttc"),
        ("10-bit write", [0xF4, 0xA5, 0x11], "aaaaaaark aaaaaaaak ddddddddk", "cccccccct " * 3),
        ("10-bit read", [0xF5, 0x11], "aaaaaaark ddddddddk", "cccccccct ttttttttc"),
        ("general call", [0x00, 0x06], "aaaaaaark ddddddddk", "cccccccct " * 2),
        ("device ID", [0xF8, 0x5C], "aaaaaaark ddddddddk", "cccccccct " * 2),
    ],
)
def test_every_bit_has_its_role_and_whose_turn_it_was(
    what: str, on_wire: list[int], roles: str, turn: str
) -> None:
    wave = Wave().wait(50_000).start()
    for value in on_wire:
        wave.byte(value)
    bits = [cell for cell in cells_of(cells(wave.stop())) if cell.kind == "bit"]
    letters = {"address": "a", "R/W": "r", "acknowledge": "k", "data": "d"}
    assert "".join(letters[cell.role] for cell in bits) == roles.replace(" ", ""), what
    assert turns(bits) == turn.replace(" ", ""), what
    assert [(cell.byte, cell.slot) for cell in bits] == [divmod(k, 9) for k in range(len(bits))]


def test_nobody_may_acknowledge_a_start_byte() -> None:
    """UM10204 section 3.1.15: S, 0000 0001, dummy acknowledge clock, Sr."""
    wave = Wave().wait(50_000).start().byte(0x01, ack=False).start().byte(0x5C).stop()
    first, second = cells_of(cells(wave, 0)), cells_of(cells(wave, 1))
    assert turns(first) == "ccccccccu"
    assert turns(second) == "cccccccct"


def test_a_read_that_is_clocked_on_after_a_nack_is_sent_by_nobody_known() -> None:
    wave = Wave().wait(50_000).start().byte(0x5D, ack=False).byte(0xFF).byte(0xFF).stop()
    assert turns(cells_of(cells(wave))) == "cccccccct" + 2 * "uuuuuuuuc"


def test_a_write_that_is_clocked_on_after_a_nack_is_still_the_controllers() -> None:
    wave = Wave().wait(50_000).start().byte(0x5C, ack=False).byte(0x11).stop()
    assert turns(cells_of(cells(wave))) == "cccccccct" * 2


@pytest.mark.parametrize("ack", [True, False])
def test_acknowledge_slots_say_whether_anybody_pulled_low(ack: bool) -> None:
    """UM10204 section 3.1.6: NACK is SDA high in the ninth clock."""
    got = cells(Wave().wait(50_000).start().byte(0x5C, ack=ack).stop())
    assert np.flatnonzero(got.acknowledged).tolist() == [9] * ack
    assert np.flatnonzero(got.not_acknowledged).tolist() == [9] * (not ack)


def test_conditions_are_the_controllers_and_frame_the_bits() -> None:
    wave = Wave().wait(50_000).transaction(0x2E, b"\x07").transaction(0x2E, b"\x01", read=True)
    wave.stop()
    first, second = rows_of(wave)
    got = bit_cells(wave.edges(), SCL, SDA, first.start_ns, second.end_ns)
    conditions = [cell for cell in cells_of(got) if cell.kind != "bit"]
    assert [cell.kind for cell in conditions] == ["START", "repeated START", "STOP"]
    assert {cell.turn for cell in conditions} == {"controller"}
    assert np.unique(got.transaction).tolist() == [0, 1]
    assert (got.begins_cut, got.ends_open) == (False, False)


def test_the_repeated_start_that_ends_a_transaction_belongs_to_the_next() -> None:
    wave = Wave().wait(50_000).transaction(0x2E, b"\x07").transaction(0x2E, b"\x01", read=True)
    got = cells(wave.stop(), 0)
    assert (kinds(got), got.transaction[-1], got.ends_open) == (
        ["START", "repeated START"],
        1,
        False,
    )


def test_every_bit_of_a_byte_knows_the_whole_byte() -> None:
    got = cells(Wave().wait(50_000).start().byte(0x5C).byte(0xA7).bit(1).bit(0).stop())
    assert got.value.tolist() == [-1, *[0x5C] * 9, *[0xA7] * 9, -1, -1, -1]


# --- what is cut, and what others see in the same stretch


def test_bits_without_a_start_have_no_borders_and_no_turn() -> None:
    wave = Wave(scl=0).wait().byte(0x5C).stop()
    got = cells(wave)
    assert got.begins_cut
    assert {cell[2:] for cell in cells_of(got) if cell.kind == "bit"} == {(-1, -1, "", "unknown")}
    assert got.value.tolist() == [-1] * len(got)


def test_a_clock_that_had_not_ended_is_unended() -> None:
    wave = Wave().wait(50_000).start().byte(0x5C).bit(1).wait().set(sda=1).wait().set(scl=1)
    got = cells(wave.wait(1_000))
    last = cells_of(got)[-1]
    assert (last.kind, last.byte, last.slot, last.turn) == ("unended", 1, 1, "controller")
    assert (got.ends_open, int(got.end_ns[-1])) == (True, wave.now_ns)


def test_a_start_inside_a_byte_is_no_repeated_one() -> None:
    """As the decoder has it: what was before it is cut."""
    wave = Wave().wait(50_000).start().byte(0x5C).bit(1).start().byte(0x5C).stop()
    first, second = rows_of(wave)
    got = bit_cells(wave.edges(), SCL, SDA, first.start_ns, second.end_ns)
    assert kinds(got) == ["START", "START", "STOP"]


def test_clocks_between_transactions_belong_to_none() -> None:
    wave = Wave().wait(50_000).transaction(0x2E, b"\x01").stop().wait()
    for level in (0, 1, 0, 1):
        wave.wait().set(scl=level)
    wave.wait(20_000).transaction(0x2E, b"\x02").stop()
    first, second = rows_of(wave)
    got = bit_cells(wave.edges(), SCL, SDA, first.start_ns, second.end_ns)
    outside = np.flatnonzero(got.transaction < 0)
    assert [cells_of(got)[k] for k in outside] == [("bit", 1, -1, -1, "", "unknown")]


def test_the_later_part_of_a_split_transaction_is_read_with_what_is_known_of_it() -> None:
    got = cells(Wave().wait(50_000).start().byte(0x5D).byte(0x11).stop())
    fall_ns = int(got.end_ns[9])  # of the acknowledge of the address
    wave = Wave().wait(50_000).start().byte(0x5D).byte(0x11).stop()
    header = Header(0x2E, 7, read=True, address_acked=True, last_acked=True)
    end_ns = int(got.end_ns[-1])
    part = bit_cells(wave.edges(), SCL, SDA, fall_ns, end_ns, header=header)
    bits = [cell for cell in cells_of(part) if cell.kind == "bit"]
    assert turns(bits) == "ttttttttc"
    assert {cell.role for cell in bits[:8]} == {"data"}
    assert part.value.tolist() == [0x11] * 9 + [-1]


def test_a_stretch_without_edges_has_no_cells() -> None:
    wave = Wave().wait(50_000).start()
    got = bit_cells(wave.edges(), SCL, SDA, 100, 200)
    assert (len(got), got.begins_cut, got.ends_open) == (0, False, False)


def test_impossible_spans_are_refused() -> None:
    with pytest.raises(ValueError, match="from 5 to 4 ns ends before it begins"):
        bit_cells(Wave().edges(), SCL, SDA, 5, 4)


# --- times


def test_cells_of_a_transaction_join_without_a_gap() -> None:
    got = cells(Wave().wait(50_000).transaction(0x2E, b"\x12\x34").stop())
    assert got.begin_ns[1:].tolist() == got.end_ns[:-1].tolist()


def test_a_low_longer_than_usual_is_told_and_by_how_much() -> None:
    """UM10204 section 3.1.9: a target may hold SCL low after the acknowledge of a byte."""
    wave = Wave(10_000).wait(50_000).start().byte(0x5C).stretch(70_000).byte(0x11)
    got = cells(wave.stretch(3_000_000).stop())
    longer = np.flatnonzero(got.stretch_ns)
    assert set(got.usual_low_ns[1:].tolist()) == {5_000}
    assert [(int(got.slot[k]), int(got.stretch_ns[k])) for k in longer] == [
        (0, 70_000),
        (-1, 3_000_000),  # before the STOP
    ]
    assert cells_of(got)[-1].kind == "STOP"


def test_of_too_few_lows_none_is_the_usual_one() -> None:
    got = cells(Wave().wait(50_000).start().bit(1).stretch(90_000).bit(1).bit(1).stop())
    assert (set(got.usual_low_ns.tolist()), set(got.stretch_ns.tolist())) == ({0}, {0})


def test_setup_and_hold_are_measured_where_data_changed() -> None:
    """tSU;DAT and tHD;DAT of UM10204 table 11."""
    wave = Wave().wait(50_000).start()
    for value, hold_ns, setup_ns in ((1, 300, 4_000), (1, 0, 5_000), (0, 700, 100)):
        wave.wait(hold_ns).set(sda=value).wait(setup_ns).set(scl=1).wait(5_000).set(scl=0)
    got = cells(wave.stop())
    bits = slice(1, 4)
    assert got.setup_ns[bits].tolist() == [4_000, NO_TIME, 100]
    assert got.hold_ns[bits].tolist() == [NO_TIME, 700, NO_TIME]


def test_lines_that_change_in_one_row_have_no_time_between() -> None:
    wave = Wave().wait(50_000).start().wait().set(scl=1, sda=1).wait().set(scl=0, sda=0).wait()
    got = cells(wave.set(scl=1).wait().set(scl=0).wait().stop())
    assert (got.level[1:3].tolist(), got.setup_ns[1], got.hold_ns[1]) == ([1, 0], 0, 0)


def test_spikes_are_taken_out_and_told() -> None:
    wave = Wave().wait(50_000).start().byte(0x5C).spike("sda", 40)
    at_ns = wave.now_ns - wave.quarter_ns - 40
    got = cells(wave.spike("scl", 49).byte(0x11).stop())
    assert got.spikes_ns.tolist()[0] == [at_ns, at_ns + 40]
    assert len(got.spikes_ns) == 2
    assert [value for value, _ in bytes_on_wire(got)[0]] == [0x5C, 0x11]


# --- held lines


@pytest.mark.parametrize("slot", [0, 3, 8])
def test_a_held_data_line_is_told_with_its_slot_and_turn(slot: int) -> None:
    wave = Wave().wait(50_000).start().byte(0x5D)
    for _ in range(slot):
        wave.bit(1)
    wave.wait().set(sda=0).wait().set(scl=1)
    begin_ns = wave.now_ns
    got = cells(wave.wait(30_000_000))
    turn = "controller" if slot == 8 else "target"
    assert state_rows(got.holds) == [(begin_ns, wave.now_ns, "sda-held", slot, turn)]
    last = cells_of(got)[-1]
    assert (last.kind, last.slot, last.turn, last.level) == ("unended", slot, turn, 0)


def test_a_held_clock_is_told_and_the_low_it_made() -> None:
    wave = Wave().wait(50_000).start().byte(0x5C).wait().set(sda=1).wait(40_000_000).byte(0x12)
    got = cells(wave.stop())
    assert [row[2:] for row in state_rows(got.holds)] == [("scl-held", 0, "controller")]
    assert int(got.stretch_ns.max()) > 39_000_000


def test_words_of_holds_are_those_of_the_table() -> None:
    assert tuple(LINE_STATES[k] for k in (SDA_HELD, SCL_HELD, BOTH_HELD)) == HELD_WORDS

"""Lines stuck low: when, in which bit slot, and whose turn it was to drive SDA."""

from __future__ import annotations

import pytest

from decoders.buses.i2c import I2cDecoder
from decoders.buses.i2c_limits import BUS_CLEAR_CLOCKS, SMBUS
from decoders.buses.transactions import TURNS
from tests.decoders.buses.rows import decoded, state_rows
from tests.decoders.buses.wave import Wave

HELD_NS = 100_000_000


def held(wave: Wave) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    """Transactions, and line states that are holds."""
    transactions, states = decoded(I2cDecoder(0, 1), [wave.edges()])
    return transactions, [row for row in states if str(row[2]).endswith("-held")]


def begun(what: str) -> Wave:
    """A transaction up to some byte: bits of it follow."""
    wave = Wave().wait(50_000).start()
    if what == "address":
        return wave
    if what in ("written byte", "read byte"):
        return wave.byte(0x5C | (what == "read byte")).byte(0x11)
    wave.byte(0xF4)  # second address byte of a 10-bit write
    return wave


# Who drives SDA in which slot: UM10204 sections 3.1.5, 3.1.6, 3.1.10 and 3.1.11.
@pytest.mark.parametrize(
    ("what", "sender"),
    [
        ("address", "controller"),
        ("written byte", "controller"),
        ("read byte", "target"),
        ("second address byte", "controller"),
    ],
)
@pytest.mark.parametrize("slot", range(9))
def test_held_data_line_tells_its_slot_and_whose_turn_it_was(
    what: str, sender: str, slot: int
) -> None:
    wave = begun(what)
    for _ in range(slot):
        wave.bit(1)
    wave.wait().set(sda=0).wait().set(scl=1)
    begin = wave.now_ns
    transactions, states = held(wave.wait(HELD_NS))
    receiver = {"controller": "target", "target": "controller"}[sender]
    turn = receiver if slot == 8 else sender
    assert states == [(begin, begin + HELD_NS, "sda-held", slot, turn)]
    assert transactions[-1][8:10] == ("stuck", slot)
    assert transactions[-1][-1] == ("ends-cut", "no-stop", "sda-held")


@pytest.mark.parametrize(
    ("what", "slot", "turn"),
    [
        *(("written byte", 0, "controller"), ("written byte", 8, "target")),
        *(("read byte", 0, "target"), ("read byte", 8, "controller"), ("address", 8, "target")),
    ],
)
def test_held_clock_tells_its_slot_and_whose_turn_it_was(what: str, slot: int, turn: str) -> None:
    wave = begun(what)
    for _ in range(slot):
        wave.bit(1)
    begin = wave.now_ns
    transactions, states = held(wave.wait().set(sda=1).wait(HELD_NS))
    assert states == [(begin, wave.now_ns, "scl-held", slot, turn)]
    assert transactions[-1][8] == "stuck"
    assert transactions[-1][-1] == ("ends-cut", "no-stop", "scl-held")


def test_after_a_nack_it_is_the_turn_of_the_controller() -> None:
    """UM10204 section 3.1.6: it then sends STOP or a repeated START."""
    wave = Wave().start().byte(0x5D, ack=False).wait(HELD_NS)
    _, states = held(wave)
    assert [row[3:] for row in states] == [(0, "controller")]


def test_both_lines_low_are_both_held() -> None:
    wave = Wave().start().byte(0x5C).wait(HELD_NS)  # SDA still low from the acknowledge
    _, states = held(wave)
    assert [row[2] for row in states] == ["both-held"]


def test_transaction_goes_on_when_a_held_clock_resumes() -> None:
    wave = Wave().start().byte(0x5C).wait().set(sda=1).wait(30_000_000).byte(0x12).stop()
    transactions, states = held(wave)
    assert [(row[6], row[8], row[-1]) for row in transactions] == [
        (((0x12, True),), "stop", ("scl-held",))
    ]
    assert [(row[2], row[3], row[4]) for row in states] == [("scl-held", 0, "controller")]


def test_clock_low_for_less_than_the_limit_is_only_a_stretch() -> None:
    """SMBus tTIMEOUT: a device may give up on a clock low for 25 ms and must by 35 ms."""
    assert (SMBUS.timeout_min_ns, SMBUS.timeout_max_ns) == (25_000_000, 35_000_000)
    states = []
    for low_ns in (24_999_999, 25_000_000):
        wave = Wave().start().wait(low_ns - wave_low_ns()).byte(0x5C).stop()
        states.append([row[2] for row in held(wave)[1]])
    assert states == [[], ["both-held"]]


def wave_low_ns() -> int:
    """What the first clock of a byte adds to the low it ends."""
    return 2 * Wave().quarter_ns


def test_hold_that_ends_in_a_release_is_a_stop() -> None:
    """SDA rising with SCL high is a STOP whoever let go of it (UM10204 section 3.1.4)."""
    wave = begun("read byte").bit(1).wait().set(sda=0).wait().set(scl=1).wait(HELD_NS)
    transactions, states = held(wave.set(sda=1).wait())
    assert [(row[8], row[9], row[-1]) for row in transactions] == [
        ("stop", 1, ("cut-in-byte", "sda-held"))
    ]
    assert [(row[3], row[4]) for row in states] == [(1, "target")]


def test_recovery_clocks_count_on_in_the_open_transaction() -> None:
    """UM10204 section 3.1.16: nine clocks free a held data line."""
    wave = begun("read byte").bit(1).wait().set(sda=0).wait().set(scl=1).wait(HELD_NS)
    for clock in range(BUS_CLEAR_CLOCKS):
        wave.set(scl=0).wait(5_000).set(sda=int(clock > 5)).wait().set(scl=1).wait(5_000)
    wave.set(scl=0).stop()
    transactions, states = held(wave)
    assert len(states) == 1
    assert transactions[0][8:10] == ("stop", (1 + 1 + BUS_CLEAR_CLOCKS) % 9)


def test_two_holds_with_clocks_between_are_two_rows() -> None:
    wave = begun("read byte").wait().set(sda=0).wait().set(scl=1).wait(HELD_NS)
    wave.set(scl=0).wait(5_000).set(scl=1).wait(HELD_NS)
    _, states = held(wave)
    assert [row[3] for row in states] == [0, 1]


def test_lines_pulled_low_outside_a_transaction_are_held_by_nobody_known() -> None:
    wave = Wave().transaction(0x2E, b"\x01").stop().wait(10_000)
    begin = wave.now_ns
    transactions, states = decoded(I2cDecoder(0, 1), [wave.set(scl=0, sda=0).wait(HELD_NS).edges()])
    assert states[-1] == (begin, begin + HELD_NS, "both-held", -1, "unknown")
    assert [state for _, _, state, _, _ in states] == ["idle", "idle", "both-held"]
    assert [row[8] for row in transactions] == ["stop"]


def test_hold_shows_while_it_lasts_as_time_passes_without_edges() -> None:
    wave = begun("read byte").wait().set(sda=0).wait().set(scl=1)
    begin, decoder = wave.now_ns, I2cDecoder(0, 1)
    decoder.feed(wave.edges())
    nothing = wave.edges(begins=False)
    seen = []
    for later_ns in (1_000_000, 24_999_999, 25_000_000, HELD_NS):
        silence = type(nothing)(nothing.t_ns[:0], nothing.levels[:0], False, begin + later_ns)
        given = state_rows(decoder.feed(silence)[1])
        assert [row for row in given if row[2] != "idle"] == []
        states = state_rows(decoder.unfinished()[1])
        seen.append([row for row in states if row[2] == "sda-held"])
    assert seen == [
        [],
        [],
        [(begin, begin + 25_000_000, "sda-held", 0, "target")],
        [(begin, begin + HELD_NS, "sda-held", 0, "target")],
    ]
    assert state_rows(decoder.finish()[1])[-1] == seen[-1][0]


def test_turns_are_the_words_of_the_table() -> None:
    assert TURNS == ("unknown", "controller", "target")

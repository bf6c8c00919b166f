"""Published limits, held against the documents they come from."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from decoders.buses.i2c import I2cDecoder
from decoders.buses.i2c_limits import (
    BUS_CLEAR_CLOCKS,
    FAST,
    FAST_PLUS,
    HIGH_ABOVE_OF_VDD,
    LOW_BELOW_OF_VDD,
    MODES,
    NOISE_MARGIN_HIGH_OF_VDD,
    NOISE_MARGIN_LOW_OF_VDD,
    PIN_LOAD_MAX_PF,
    SMBUS,
    STANDARD,
    Limits,
    general_call_use,
    reserved_use,
)
from tests.decoders.buses.rows import Row, decoded
from tests.decoders.buses.wave import Wave

# UM10204 Rev. 7.0 table 11 (page 44) and table 10 (page 43): symbol, and Standard-mode, Fast-mode
# and Fast-mode Plus in the units the tables print; None where they print a dash or a formula.
TABLE_11 = [
    ("fSCL", "clock_max_hz", 1_000, (100, 400, 1000)),  # kHz
    ("tHD;STA", "start_hold_min_ns", 1_000, (4.0, 0.6, 0.26)),  # us
    ("tLOW", "scl_low_min_ns", 1_000, (4.7, 1.3, 0.5)),
    ("tHIGH", "scl_high_min_ns", 1_000, (4.0, 0.6, 0.26)),
    ("tSU;STA", "restart_setup_min_ns", 1_000, (4.7, 0.6, 0.26)),
    ("tHD;DAT", "data_hold_min_ns", 1_000, (0, 0, 0)),
    ("tSU;DAT", "data_setup_min_ns", 1, (250, 100, 50)),  # ns
    ("tr min", "rise_min_ns", 1, (None, 20, None)),
    ("tr max", "rise_max_ns", 1, (1000, 300, 120)),
    ("tf max", "fall_max_ns", 1, (300, 300, 120)),
    ("tSU;STO", "stop_setup_min_ns", 1_000, (4.0, 0.6, 0.26)),
    ("tBUF", "bus_free_min_ns", 1_000, (4.7, 1.3, 0.5)),
    ("Cb", "line_load_max_pf", 1, (400, 400, 550)),  # pF
    ("tVD;DAT", "data_valid_max_ns", 1_000, (3.45, 0.9, 0.45)),
    ("tVD;ACK", "ack_valid_max_ns", 1_000, (3.45, 0.9, 0.45)),
    ("tSP", "spike_max_ns", 1, (None, 50, 50)),
    ("IOL", "sink_min_ma", 1, (3, 3, 20)),  # mA at 0.4 V
    ("tHD;DAT of CBUS", "cbus_hold_min_ns", 1_000, (5.0, None, None)),
]


@pytest.mark.parametrize(("symbol", "name", "unit", "printed"), TABLE_11)
def test_limits_are_those_of_table_11(
    symbol: str, name: str, unit: int, printed: tuple[float | None, ...]
) -> None:
    expected = [None if value is None else round(value * unit) for value in printed]
    assert [getattr(mode, name) for mode in MODES] == expected, symbol


def test_levels_are_shares_of_the_supply() -> None:
    """UM10204 section 3.1.2 and tables 10 and 11: VIL, VIH, VnL, VnH, Vhys, Ci."""
    assert (LOW_BELOW_OF_VDD, HIGH_ABOVE_OF_VDD) == (0.3, 0.7)
    assert (NOISE_MARGIN_LOW_OF_VDD, NOISE_MARGIN_HIGH_OF_VDD) == (0.1, 0.2)
    assert [mode.hysteresis_min_of_vdd for mode in MODES] == [None, 0.05, 0.05]
    assert PIN_LOAD_MAX_PF == 10


def test_least_fall_time_grows_with_the_supply() -> None:
    """UM10204 table 11, tf: 20 x VDD/5.5 V in Fast-mode and Fast-mode Plus."""
    assert [mode.fall_min_ns(5.5) for mode in MODES] == [None, 20, 20]
    assert [mode.fall_min_ns(3.3) for mode in MODES] == [None, 12, 12]


# Derived from UM10204 section 7.1: tr / (0.8473 Cb), and (VDD - VOL) / IOL.
@pytest.mark.parametrize(
    ("mode", "load_pf", "ohm"), [(STANDARD, 400, 2951), (FAST, 400, 885), (FAST_PLUS, 550, 258)]
)
def test_largest_pull_up_follows_rise_time_and_load(mode: Limits, load_pf: int, ohm: int) -> None:
    # 0.8473 is ln(7/3) rounded, which makes half an ohm.
    assert mode.pull_up_max_ohm(load_pf) == pytest.approx(ohm, abs=0.6)


def test_smallest_pull_up_follows_supply_and_sink_current() -> None:
    assert round(STANDARD.pull_up_min_ohm(3.3)) == 967


# Derived from table 11: the slowest clock a mode allows at its own limits.
@pytest.mark.parametrize(
    ("mode", "worst_ns"), [(STANDARD, 10_000), (FAST, 2_500), (FAST_PLUS, 1_000)]
)
def test_low_high_rise_and_fall_fill_one_clock(mode: Limits, worst_ns: int) -> None:
    parts = mode.scl_low_min_ns + mode.scl_high_min_ns + mode.rise_max_ns + mode.fall_max_ns
    assert parts == mode.clocks_ns(1) == worst_ns


@pytest.mark.parametrize(
    ("mode", "clocks"), [(STANDARD, 2500), (FAST, 10_000), (FAST_PLUS, 25_000)]
)
def test_smbus_time_out_in_clocks(mode: Limits, clocks: int) -> None:
    assert mode.clocks_ns(clocks) == SMBUS.timeout_min_ns


BOTH = (False, True)


# UM10204 table 4 (page 16): each address with both values of R/W; device ID is a read only
@pytest.mark.parametrize(
    ("addresses", "reads", "use"),
    [
        ([0x00], [False], "general call"),
        ([0x00], [True], "START byte"),
        ([0x01], BOTH, "CBUS"),
        ([0x02], BOTH, "other bus format"),
        ([0x03], BOTH, "future use"),
        (range(0x04, 0x08), BOTH, "Hs-mode controller code"),
        (range(0x08, 0x78), BOTH, None),
        (range(0x78, 0x7C), BOTH, "10-bit addressing"),
        (range(0x7C, 0x80), [True], "device ID"),
        (range(0x7C, 0x80), [False], None),
    ],
)
def test_reserved_addresses_are_those_of_table_4(
    addresses: Sequence[int], reads: Sequence[bool], use: str | None
) -> None:
    assert {reserved_use(address, read) for address in addresses for read in reads} == {use}


def test_usable_addresses_are_112() -> None:
    """0x08..0x77: derived from table 4."""
    free = [address for address in range(0x78) if reserved_use(address, False) is None]
    assert free == list(range(0x08, 0x78))
    assert len(free) == 112


@pytest.mark.parametrize("address", [-1, 0x80])
def test_only_seven_bit_addresses_are_looked_up(address: int) -> None:
    with pytest.raises(ValueError, match="7-bit"):
        reserved_use(address, False)


# UM10204 sections 3.1.13 and 3.1.14
@pytest.mark.parametrize(
    ("second", "use"),
    [
        (0x06, "reset and take in the programmable part of the address"),
        (0x04, "take in the programmable part of the address"),
        (0x00, "not allowed"),
        (0x01, "hardware general call of the controller at 0x00"),
        (0xA9, "hardware general call of the controller at 0x54"),
        (0x02, "not fixed: to be ignored"),
        (0xFE, "not fixed: to be ignored"),
    ],
)
def test_second_byte_of_a_general_call_says_what_is_asked(second: int, use: str) -> None:
    assert general_call_use(second) == use


@pytest.mark.parametrize("second", [-1, 0x100])
def test_second_byte_of_a_general_call_is_a_byte(second: int) -> None:
    with pytest.raises(ValueError, match="not a byte"):
        general_call_use(second)


def test_bus_clear_is_nine_clocks() -> None:
    """UM10204 section 3.1.16."""
    assert BUS_CLEAR_CLOCKS == 9


# SMBus 2.0 time-outs as RM0360 table 78 and RM0440 table 383 quote them; the rest as SLUS987C does.
@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("timeout_min_ns", 25_000_000),
        ("timeout_max_ns", 35_000_000),
        ("target_extend_max_ns", 25_000_000),
        ("controller_extend_max_ns", 10_000_000),
        ("clock_min_hz", 10_000),
        ("clock_max_hz", 100_000),
        ("scl_high_max_ns", 50_000),
        ("data_hold_min_ns", 300),
        ("data_setup_min_ns", 250),
        ("scl_low_min_ns", 4_700),
        ("scl_high_min_ns", 4_000),
        ("start_hold_min_ns", 4_000),
        ("restart_setup_min_ns", 4_700),
        ("stop_setup_min_ns", 4_000),
        ("bus_free_min_ns", 4_700),
        ("rise_max_ns", 1_000),
        ("fall_max_ns", 300),
    ],
)
def test_smbus_limits_are_the_published_ones(name: str, value: int) -> None:
    assert getattr(SMBUS, name) == value


class Fastest:
    """A wave in which every time is the least that UM10204 table 11 allows in a mode."""

    def __init__(self, mode: Limits) -> None:
        self.mode = mode
        self.wave = Wave()
        self.wave.wait(mode.bus_free_min_ns)

    def start(self) -> None:
        """START or repeated START, up to SCL falling."""
        if not self.wave.scl:
            self.wave.set(sda=1).wait(self.mode.scl_low_min_ns).set(scl=1)
            self.wave.wait(self.mode.restart_setup_min_ns)
        self.wave.set(sda=0).wait(self.mode.start_hold_min_ns).set(scl=0)

    def bits(self, value: int, ack: int) -> None:
        """A byte; SDA changes as late in the LOW as the set-up time allows."""
        setup_ns = self.mode.data_setup_min_ns
        for bit in (*(value >> shift & 1 for shift in range(7, -1, -1)), ack):
            self.wave.wait(self.mode.scl_low_min_ns - setup_ns).set(sda=bit).wait(setup_ns)
            self.wave.set(scl=1).wait(self.mode.scl_high_min_ns).set(scl=0)

    def stop(self) -> None:
        """STOP and the least time the bus is free."""
        self.wave.set(sda=0).wait(self.mode.scl_low_min_ns).set(scl=1)
        self.wave.wait(self.mode.stop_setup_min_ns).set(sda=1).wait(self.mode.bus_free_min_ns)


@pytest.mark.parametrize("mode", MODES)
def test_fastest_wave_of_each_mode_is_decoded_without_a_problem(mode: Limits) -> None:
    fastest = Fastest(mode)
    for _ in range(2):
        fastest.start()
        fastest.bits(0x5C, 0)
        fastest.bits(0x12, 0)
        fastest.start()
        fastest.bits(0x5D, 0)
        fastest.bits(0xA5, 1)
        fastest.stop()
    transactions, states = decoded(I2cDecoder(0, 1), [fastest.wave.edges()])
    rows = [Row(*row) for row in transactions]  # type: ignore[arg-type]
    assert [(row.address, row.read, row.values, row.problems) for row in rows] == [
        (0x2E, False, b"\x12", ()),
        (0x2E, True, b"\xa5", ()),
    ] * 2
    assert rows[1].end_ns + mode.bus_free_min_ns == rows[2].start_ns
    assert {row.scl_low_max_ns for row in rows} == {mode.scl_low_min_ns}
    # UM10204 section 3.1.4: between repeated STARTs the bus stays busy
    assert [row[:3] for row in states] == [
        (0, rows[0].start_ns, "idle"),
        (rows[1].end_ns, rows[2].start_ns, "idle"),
        (rows[3].end_ns, fastest.wave.now_ns, "idle"),
    ]

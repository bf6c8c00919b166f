"""Published limits of I2C and SMBus, as data.

Timing: UM10204 "I2C-bus specification and user manual" Rev. 7.0, tables 10 and 11 (Rev. 6 numbers
them 9 and 10). Addresses: its table 4 (Rev. 6: table 3). Time-outs: SMBus 2.0, the same in 3.x.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Limits:
    """What a mode asks for, in ns; None where UM10204 specifies nothing."""

    name: str
    clock_max_hz: int  # fSCL
    start_hold_min_ns: int  # tHD;STA
    scl_low_min_ns: int  # tLOW
    scl_high_min_ns: int  # tHIGH
    restart_setup_min_ns: int  # tSU;STA
    data_hold_min_ns: int  # tHD;DAT
    data_setup_min_ns: int  # tSU;DAT
    rise_min_ns: int | None  # tr
    rise_max_ns: int
    fall_max_ns: int  # tf
    stop_setup_min_ns: int  # tSU;STO
    bus_free_min_ns: int  # tBUF
    line_load_max_pf: int  # Cb
    data_valid_max_ns: int  # tVD;DAT
    ack_valid_max_ns: int  # tVD;ACK
    spike_max_ns: int | None  # tSP, what an input filter must suppress
    sink_min_ma: int  # IOL at 0.4 V
    cbus_hold_min_ns: int | None = None  # tHD;DAT of CBUS compatible controllers
    hysteresis_min_of_vdd: float | None = None  # Vhys

    def clocks_ns(self, clocks: int) -> int:
        """The least time so many clocks take at the mode's highest clock rate."""
        return clocks * 1_000_000_000 // self.clock_max_hz

    def fall_min_ns(self, vdd_v: float) -> float | None:
        """The least fall time (tf) at a supply voltage."""
        return None if self.spike_max_ns is None else 20 * vdd_v / 5.5

    def pull_up_max_ohm(self, load_pf: float) -> float:
        """The largest pull-up that still rises from 0.3 to 0.7 VDD in time (section 7.1)."""
        return self.rise_max_ns * 1e3 / (math.log(7 / 3) * load_pf)

    def pull_up_min_ohm(self, vdd_v: float, low_v: float = 0.4) -> float:
        """The smallest pull-up that a device can still pull low (section 7.1)."""
        return (vdd_v - low_v) * 1e3 / self.sink_min_ma


STANDARD = Limits(
    name="Standard-mode",
    clock_max_hz=100_000,
    start_hold_min_ns=4_000,
    scl_low_min_ns=4_700,
    scl_high_min_ns=4_000,
    restart_setup_min_ns=4_700,
    data_hold_min_ns=0,
    data_setup_min_ns=250,
    rise_min_ns=None,
    rise_max_ns=1_000,
    fall_max_ns=300,
    stop_setup_min_ns=4_000,
    bus_free_min_ns=4_700,
    line_load_max_pf=400,
    data_valid_max_ns=3_450,
    ack_valid_max_ns=3_450,
    spike_max_ns=None,
    sink_min_ma=3,
    cbus_hold_min_ns=5_000,
)
FAST = Limits(
    name="Fast-mode",
    clock_max_hz=400_000,
    start_hold_min_ns=600,
    scl_low_min_ns=1_300,
    scl_high_min_ns=600,
    restart_setup_min_ns=600,
    data_hold_min_ns=0,
    data_setup_min_ns=100,
    rise_min_ns=20,
    rise_max_ns=300,
    fall_max_ns=300,
    stop_setup_min_ns=600,
    bus_free_min_ns=1_300,
    line_load_max_pf=400,
    data_valid_max_ns=900,
    ack_valid_max_ns=900,
    spike_max_ns=50,
    sink_min_ma=3,
    hysteresis_min_of_vdd=0.05,
)
FAST_PLUS = Limits(
    name="Fast-mode Plus",
    clock_max_hz=1_000_000,
    start_hold_min_ns=260,
    scl_low_min_ns=500,
    scl_high_min_ns=260,
    restart_setup_min_ns=260,
    data_hold_min_ns=0,
    data_setup_min_ns=50,
    rise_min_ns=None,
    rise_max_ns=120,
    fall_max_ns=120,
    stop_setup_min_ns=260,
    bus_free_min_ns=500,
    line_load_max_pf=550,
    data_valid_max_ns=450,
    ack_valid_max_ns=450,
    spike_max_ns=50,
    sink_min_ma=20,
    hysteresis_min_of_vdd=0.05,
)
MODES = (STANDARD, FAST, FAST_PLUS)
# The same in every mode, as shares of VDD (section 3.1.2, table 11) and pF (table 10)
LOW_BELOW_OF_VDD, HIGH_ABOVE_OF_VDD = 0.3, 0.7
NOISE_MARGIN_LOW_OF_VDD, NOISE_MARGIN_HIGH_OF_VDD = 0.1, 0.2
PIN_LOAD_MAX_PF = 10

# UM10204 table 4: (first and last 7-bit address, R/W bit or None for either, use)
RESERVED = (
    (0x00, 0x00, 0, "general call"),
    (0x00, 0x00, 1, "START byte"),
    (0x01, 0x01, None, "CBUS"),
    (0x02, 0x02, None, "other bus format"),
    (0x03, 0x03, None, "future use"),
    (0x04, 0x07, None, "Hs-mode controller code"),
    (0x78, 0x7B, None, "10-bit addressing"),
    (0x7C, 0x7F, 1, "device ID"),
)
# UM10204 section 3.1.13: what the byte after a general call asks for
GENERAL_CALL = MappingProxyType(
    {
        0x06: "reset and take in the programmable part of the address",
        0x04: "take in the programmable part of the address",
        0x00: "not allowed",
    }
)
BUS_CLEAR_CLOCKS = 9  # UM10204 section 3.1.16: a device holding SDA lets go within them


@dataclass(frozen=True, slots=True)
class SmbusLimits:
    """SMBus time-outs (2.0; the same in 3.x) and the limits it sets beside those of I2C."""

    timeout_min_ns: int = 25_000_000  # tTIMEOUT: a device may give up on a clock held low
    timeout_max_ns: int = 35_000_000  # and must have by now
    target_extend_max_ns: int = 25_000_000  # tLOW:SEXT, summed from START to STOP
    controller_extend_max_ns: int = 10_000_000  # tLOW:MEXT, summed within each byte
    clock_min_hz: int = 10_000  # fSMB, 100 kHz class
    clock_max_hz: int = 100_000
    scl_high_max_ns: int = 50_000  # tHIGH: both lines high for longer means idle
    data_hold_min_ns: int = 300  # tHD;DAT when sending, SMBus 2.0
    data_setup_min_ns: int = 250
    scl_low_min_ns: int = 4_700
    scl_high_min_ns: int = 4_000
    start_hold_min_ns: int = 4_000
    restart_setup_min_ns: int = 4_700
    stop_setup_min_ns: int = 4_000
    bus_free_min_ns: int = 4_700
    rise_max_ns: int = 1_000
    fall_max_ns: int = 300


SMBUS = SmbusLimits()


def reserved_use(address: int, read: bool) -> str | None:
    """What UM10204 table 4 reserves a 7-bit address for; None if it is free.

    Raises:
        ValueError: if the address does not fit in 7 bits.
    """
    if not 0 <= address <= 0x7F:
        raise ValueError(f"not a 7-bit address: {address:#x}")
    for low, high, bit, use in RESERVED:
        if low <= address <= high and bit in (None, int(read)):
            return use
    return None


def general_call_use(second: int) -> str:
    """What the byte after a general call asks for (UM10204 sections 3.1.13 and 3.1.14).

    Raises:
        ValueError: if it is no byte.
    """
    if not 0 <= second <= 0xFF:
        raise ValueError(f"not a byte: {second:#x}")
    if second & 1:
        return f"hardware general call of the controller at {second >> 1:#04x}"
    return GENERAL_CALL.get(second, "not fixed: to be ignored")

"""How long a controller takes over each part of the wave: UM10204 Rev. 7 table 11."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BusTiming:
    """Times a controller keeps, in ns, counted from the edge as it sees it.

    The LOW of SCL on the wire is `low_ns` and the line's rise time; its HIGH is `high_ns`.
    """

    low_ns: int  # SCL pulled, until let go
    high_ns: int  # SCL seen high, until pulled
    hold_data_ns: int  # SCL fallen, until the controller moves SDA
    hold_start_ns: int  # SDA fallen, until SCL is pulled
    setup_start_ns: int  # SCL seen high, until SDA is pulled for a repeated START
    setup_stop_ns: int  # SCL seen high, until SDA is let go for a STOP
    bus_free_ns: int  # STOP, until the next START


# Each time is at or above table 11's minimum; the periods are 10, 2.5 and 1 us with a rise of
# 300, 300 and 100 ns.
STANDARD = BusTiming(4_700, 5_000, 400, 5_000, 5_000, 5_000, 20_000)
FAST = BusTiming(1_300, 900, 300, 700, 700, 700, 5_000)
FAST_PLUS = BusTiming(520, 380, 100, 300, 300, 300, 2_000)

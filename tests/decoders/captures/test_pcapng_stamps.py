from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoders.captures.pcapng_stamps import Resolution, resolution_of


# Internet-Draft draft-ietf-opsawg-pcapng section 4.2, if_tsresol: "If the Most Significant Bit is
# equal to zero, the remaining bits indicate the resolution as a negative power of 10"; else of 2.
@pytest.mark.parametrize(
    ("option", "per_second"),
    [(b"", 10**6), (b"\x06", 10**6), (b"\x09", 10**9), (b"\x00", 1), (b"\x8a", 1024), (b"\x80", 1)],
)
def test_the_option_says_how_many_ticks_a_second_has(option: bytes, per_second: int) -> None:
    assert resolution_of(option, 0) == Resolution(per_second)


@settings(deadline=None)
@given(
    code=st.integers(0, 255), ticks=st.integers(0, 2**64 - 1), offset_s=st.integers(-(2**40), 2**40)
)
def test_every_stamp_is_the_whole_ns_at_or_before_it(code: int, ticks: int, offset_s: int) -> None:
    unit = Fraction(1, (2 if code & 0x80 else 10) ** (code & 0x7F))
    exact_ns = (ticks * unit + offset_s) * 10**9
    held_ns = max(-(2**63) + 1, min(exact_ns.__floor__(), 2**63 - 1))
    assert resolution_of(bytes([code]), offset_s).ns(ticks) == held_ns

"""Clocks and conditions read from a wire drawn by hand."""

from __future__ import annotations

from console.diagnosis.causes.bursts import bursts_of, dips_of
from console.diagnosis.causes.clocks import OUTSIDE, Clocks, clocks_of
from console.diagnosis.causes.disturbances import Disturbances
from tests.console.diagnosis.causes.hands import HALF_NS, MS, US, Wave, healthy, scene_of


def clocks_in(wave: Wave) -> Clocks:
    levels = scene_of(wave).levels(0, wave.now_ns)
    assert levels is not None
    return clocks_of(levels)


def test_slots_count_from_the_start_and_begin_anew_with_each_byte() -> None:
    wave = Wave()
    wave.wait(MS)
    wave.start()
    wave.byte(0x5C)
    wave.byte(0x10)
    wave.stop()
    assert clocks_in(wave).slot.tolist() == [*range(9), *range(9), 0]


def test_usual_widths_are_those_within_bytes() -> None:
    wave = Wave()
    healthy(wave, 2)
    clocks = clocks_in(wave)
    assert (clocks.high_usual_ns, clocks.low_usual_ns) == (HALF_NS, HALF_NS)


def test_stop_inside_a_byte_is_found_and_one_after_a_byte_is_not() -> None:
    wave = Wave()
    healthy(wave, 2)
    wave.start()
    for bit in (0, 1, 0):
        wave.bit(bit)
    wave.stop()
    assert len(clocks_in(wave).inside_ns) == 1


def test_start_without_a_clock_is_void() -> None:
    wave = Wave()
    wave.wait(MS)
    wave.level(1, 0, for_ns=20 * US)
    wave.level(1, 1, for_ns=MS)
    assert clocks_in(wave).void_ns.tolist() == [MS]


def test_clocks_without_a_start_are_outside_and_make_a_burst() -> None:
    wave = Wave()
    healthy(wave, 2)
    begin = wave.now_ns
    wave.wait(MS)
    for _ in range(9):
        wave.level(0, 1, for_ns=20 * US)
        wave.level(1, 1, for_ns=20 * US)
    clocks = clocks_in(wave)
    assert clocks.slot[-9:].tolist() == [OUTSIDE] * 9
    assert [burst.clocks for burst in bursts_of(clocks, begin)] == [9]


def test_short_clock_after_a_stretch_is_told_from_one_elsewhere() -> None:
    wave = Wave()
    healthy(wave, 3)
    wave.start()
    wave.byte(0x5C)
    wave.bit(0, high_ns=100, low_ns=300 * US)  # a stretch, and the clock after it is cut
    for bit in (0, 1, 0, 1, 0, 1):
        wave.bit(bit)
    wave.bit(0, high_ns=200)  # and one that follows no stretch
    wave.bit(0)
    wave.stop()
    found = Disturbances(clocks_in(wave), 0)
    assert (len(found.runts_after_stretch_ns), len(found.runts_ns)) == (1, 1)


def test_both_lines_low_for_a_moment_is_a_dip_and_a_clock_is_none() -> None:
    wave = Wave()
    healthy(wave, 3)
    begin = wave.now_ns
    wave.wait(MS)
    wave.level(1, 0, for_ns=100)
    wave.level(0, 0, for_ns=600)
    wave.level(1, 0, for_ns=100)
    wave.level(1, 1, for_ns=MS)
    assert dips_of(clocks_in(wave)).tolist() == [begin + MS + 100]

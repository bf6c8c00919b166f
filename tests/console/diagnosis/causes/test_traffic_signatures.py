"""Causes in callers, channels, joints and replies on scenes made by hand."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
from tests.console.diagnosis.causes.hands import (
    ADDRESS,
    MS,
    US,
    Wave,
    scene_of,
    took,
    value_of,
    wrote,
)

NEIGHBOUR = 0x51
SWITCH = 0x72


def apart(wave: Wave, data: bytes, *, gap_ns: int = 200 * US, address: int = ADDRESS) -> None:
    """A register write, a STOP, and a read."""
    wrote(wave, 0x10, address=address)
    wave.wait(gap_ns)
    took(wave, data, address=address)


def interleaved_callers() -> Scene:
    wave = Wave()
    for k in range(80):
        if k > 40 and k % 10 == 0:
            wrote(wave, 0x10)
            wrote(wave, 0x20)  # the other caller
            took(wave, b"\x01\x02\x03\x07")
        else:
            apart(wave, value_of(k))
        wave.wait(15 * MS)
    return scene_of(wave)


def second_controller() -> Scene:
    wave = Wave()
    for k in range(80):
        if k > 40 and k % 8 == 0:
            wave.refused(ADDRESS & NEIGHBOUR)
        else:
            wave.poll(value_of(k))
        wave.wait(5 * MS)
        wave.poll(value_of(k), address=NEIGHBOUR)
        wave.wait(10 * MS)
    return scene_of(wave)


def second_controller_beside_a_device_of_the_common_address() -> Scene:
    wave = Wave()
    low, high = 0x10, 0x55
    for k in range(80):
        if k > 40 and k % 8 == 0:
            for _ in range(2):
                wave.start()
                wave.byte(low << 1)
                wave.stop()
                wave.now_ns -= 9 * US  # the other one does not wait for tBUF
        else:
            wave.poll(value_of(k), address=high)
        wave.wait(5 * MS)
        wave.poll(value_of(k), address=low)
        wave.wait(5 * MS)
        wave.poll(value_of(k))
        wave.wait(10 * MS)
    return scene_of(wave)


def channel_left_open() -> Scene:
    wave = Wave()
    for k in range(100):
        mixed = k >= 60
        wrote(wave, 0x0A if mixed else 0x08, address=SWITCH)
        high, low, level, noise = value_of(k)
        wave.poll(bytes([high, low & 0x3C, level & 0x0F, noise]) if mixed else value_of(k))
        wrote(wave, 0, address=SWITCH)
        wave.wait(15 * MS)
    return scene_of(wave)


def channel_not_selected() -> Scene:
    wave = Wave()
    begin = 0
    for k in range(60):
        if k < 40:
            wrote(wave, 0x08, address=SWITCH)
            wave.poll(value_of(k))
        else:
            begin = begin or wave.now_ns
            wave.refused()
        wrote(wave, 0, address=SWITCH)
        wave.wait(15 * MS)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def joint_with_another_register() -> Scene:
    wave = Wave()
    for k in range(80):
        if k < 50:
            wave.poll(value_of(k))
        else:
            apart(wave, bytes([0, 0, k, 0]))
        wave.wait(15 * MS)
    return scene_of(wave)


def length_cap() -> Scene:
    wave = Wave()
    prints = []
    for k in range(40):
        wanted = 24 if k < 20 else 40
        wave.poll(bytes((k * 7 + at * 13) % 96 for at in range(min(wanted, 32))))
        prints.append((wave.now_ns, f"hopper: {wanted} bytes"))
        wave.wait(15 * MS)
    return scene_of(wave, prints=prints)


def busy_target() -> Scene:
    wave = Wave()
    for k in range(120):
        if k % 20 == 19:
            wrote(wave, 0x40, 0x5A)
            for _ in range(4):
                wave.refused()
                wave.wait(15 * MS)
        wave.poll(value_of(k))
        wave.wait(15 * MS)
    return scene_of(wave)


def nack_hammer() -> Scene:
    wave = Wave()
    for k in range(60):
        for _ in range(2 + k // 8):
            wave.refused()
            wave.wait(300 * US)
        wave.poll(value_of(k))
        wave.wait(15 * MS)
    return scene_of(wave)


def read_too_soon() -> Scene:
    wave = Wave()
    for k in range(80):
        soon = k >= 50
        apart(wave, b"\xff\xff\xff\xff" if soon else value_of(k), gap_ns=(1 if soon else 4) * MS)
        wave.wait(15 * MS)
    return scene_of(wave)


def leftover_byte() -> Scene:
    wave = Wave()
    stream = bytes(b for k in range(120) for b in (0x01, k, 0x40, 0xC0 + k % 7))
    at = 0
    for k in range(100):
        length = 3 if k in (60, 70) else 4
        wave.poll(stream[at : at + length])
        at += length
        wave.wait(15 * MS)
    return scene_of(wave)


def fifo_slip() -> Scene:
    wave = Wave()
    for k in range(120):
        record = bytes([0x01, k % 23, 0xF8, k % 31, 0x40, k % 41])
        wave.poll(record if k < 70 else record[2:] + record[:2])
        wave.wait(15 * MS)
    return scene_of(wave)


def config_amnesia() -> Scene:
    wave = Wave()
    wave.wait(50 * MS)
    wrote(wave, 0x40, 0x5A)
    for k in range(120):
        wave.poll(value_of(k))
        wave.wait(5 * MS)
        if k % 8 == 0:
            wave.poll(b"\x5a" if k < 60 else b"\x00", register=0x40)
        wave.wait(10 * MS)
    return scene_of(wave)


def address_clash() -> Scene:
    wave = Wave()
    for k in range(100):
        high, low, level, noise = value_of(k)
        other = 0x55 + k
        mixed = bytes([high, low & other, level & 0x2F, noise & 0x3F])
        wave.poll(mixed if k >= 60 else value_of(k))
        wave.wait(15 * MS)
    return scene_of(wave)


def deterministic_check_failure() -> Scene:
    wave = Wave()
    for k in range(60):
        wave.poll(value_of(k))
        wave.wait(15 * MS)
    begin = wave.now_ns
    for _ in range(8):
        wave.poll(b"\x17\x4a\x02\x91\x66", register=0x64)
        wave.wait(15 * MS)
    return scene_of(wave, how="invalid", first_bad_ns=begin)


SIGNATURES: dict[str, tuple[str, Callable[[], Scene]]] = {
    "interleaved-callers": ("interleaved-callers", interleaved_callers),
    "second-controller": ("second-controller", second_controller),
    "second-controller-common-address": (
        "second-controller",
        second_controller_beside_a_device_of_the_common_address,
    ),
    "channel-left-open": ("mux-misroute", channel_left_open),
    "channel-not-selected": ("mux-misroute", channel_not_selected),
    "joint-error": ("joint-error", joint_with_another_register),
    "length-cap": ("length-cap", length_cap),
    "busy-target": ("busy-target", busy_target),
    "nack-hammer": ("nack-hammer", nack_hammer),
    "read-too-soon": ("read-too-soon", read_too_soon),
    "leftover-byte": ("leftover-byte", leftover_byte),
    "fifo-slip": ("fifo-slip", fifo_slip),
    "config-amnesia": ("config-amnesia", config_amnesia),
    "deterministic-check-failure": (
        "deterministic-check-failure",
        deterministic_check_failure,
    ),
    "address-clash": ("address-clash", address_clash),
}


@pytest.mark.parametrize("name", SIGNATURES)
def test_signature_in_traffic_leads_the_claims(name: str) -> None:
    slug, scene = SIGNATURES[name]
    assert [row.cause.slug for row in ranked(scene()).claimed][:1] == [slug]


def counted_on(k: int) -> int:
    """A byte that counts, and goes round once."""
    return (146 + k) % 256


def fell(k: int) -> int:
    """A byte with noise of its own that falls at once, and stays there."""
    return (200 if k < 110 else 4) + k * 37 % 5


@pytest.mark.parametrize(("low", "told"), [(counted_on, "refuted"), (fell, "not-observable")])
def test_count_that_goes_round_is_no_level_that_jumps(low: Callable[[int], int], told: str) -> None:
    wave = Wave()
    wave.wait(50 * MS)
    wrote(wave, 0x40, 0x5A)
    for k in range(124):
        wave.poll(bytes([2 + (k >= 110), low(k), 0x28, value_of(k)[3]]))
        wave.wait(15 * MS)
    assert ranked(scene_of(wave)).of("config-amnesia").answer.verdict == told

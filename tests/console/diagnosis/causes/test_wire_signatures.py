"""Causes in edges, supplies, drivers and the pace of the clock on scenes made by hand."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
from tests.console.diagnosis.causes.hands import (
    ADDRESS,
    HALF_NS,
    MS,
    US,
    Wave,
    healthy,
    scene_of,
    value_of,
)

NEIGHBOUR = 0x51


def deaf(wave: Wave, polls: int = 15) -> None:
    """It leaves its address unanswered."""
    for _ in range(polls):
        wave.refused()
        wave.wait(20 * MS)


def spike(wave: Wave, *, scl: bool, sda: bool) -> None:
    """Both lines are high; those named drop for a moment."""
    wave.level(int(not scl), int(not sda), for_ns=700)
    wave.level(1, 1, for_ns=100 * US)


def bit_slip() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    for at in range(7, -1, -1):
        wave.bit(ADDRESS << 1 >> at & 1, high_ns=90 if at == 3 else HALF_NS)
    wave.bit(1)
    wave.bit(1)
    wave.stop()
    begin = wave.now_ns
    deaf(wave)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def crosstalk() -> Scene:
    wave = Wave()
    for k in range(60):
        begin = wave.now_ns
        wave.poll(value_of(k))
        if k >= 40:
            wave.start()
            wave.byte(ADDRESS << 1)
            for _ in range(3):  # a fall of SDA with SCL low, and SCL with it
                wave.level(0, 1, for_ns=HALF_NS // 2)
                wave.level(0, 0, for_ns=50)
                wave.level(1, 0, for_ns=90)
                wave.level(0, 0, for_ns=HALF_NS // 2)
                wave.level(1, 0, for_ns=HALF_NS)
            wave.stop()
        wave.until(begin + 20 * MS)
    return scene_of(wave)


def slow_edges() -> Scene:
    wave = Wave()
    for k in range(60):
        for turn, address in enumerate((ADDRESS, NEIGHBOUR)):
            if k % 9 == turn:
                wave.refused(address)
            else:
                wave.poll(value_of(k), address=address)
            wave.wait(MS)
            wave.start()
            wave.byte(address << 1)
            for _ in range(4):  # to and fro across the threshold as it rises
                wave.level(0, 0, for_ns=HALF_NS)
                for scl in (1, 0, 1):
                    wave.level(scl, 0, for_ns=120)
                wave.level(1, 0, for_ns=HALF_NS)
            wave.stop()
            wave.wait(8 * MS)
    return scene_of(wave)


def interference_burst() -> Scene:
    wave = Wave()
    prints = []
    for k in range(60):
        begin = wave.now_ns
        if k >= 30 and k % 6 == 0:
            prints.append((begin - 3 * MS, "diverter: gate left"))
            wave.start()
            wave.byte(ADDRESS << 1)
            for _ in range(4):
                wave.bit(1, high_ns=80)
            wave.level(0, 0, for_ns=HALF_NS)
            wave.level(1, 0, for_ns=HALF_NS // 3)
            wave.level(1, 1, for_ns=200)
            wave.level(1, 0, for_ns=HALF_NS // 2)
            wave.level(0, 0, for_ns=HALF_NS)
            wave.stop()
        else:
            wave.poll(value_of(k))
        wave.until(begin + 20 * MS)
    return scene_of(wave, prints=prints)


def supply_dip() -> Scene:
    wave = Wave()
    begin = 0
    for k in range(80):
        for address, back in ((ADDRESS, 60), (NEIGHBOUR, 55)):
            if 40 <= k < back:
                begin = begin or wave.now_ns
                wave.refused(address)
            else:
                wave.poll(value_of(k if k < 40 else k - back), address=address)
            wave.wait(5 * MS)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def clamped_bus() -> Scene:
    wave = Wave()
    healthy(wave)
    begin = wave.now_ns
    wave.level(0, 0, for_ns=400 * MS)
    prints = [(begin - 4 * MS, "sensor supply off"), (wave.now_ns - MS, "sensor supply on")]
    wave.level(1, 1)
    healthy(wave, 5)
    return scene_of(wave, how="scl-stuck", first_bad_ns=begin, prints=prints)


def hot_insertion() -> Scene:
    wave = Wave()
    healthy(wave)
    begin = wave.now_ns
    for _ in range(3):
        spike(wave, scl=True, sda=True)
        wave.wait(3 * MS)
    deaf(wave, 30)
    healthy(wave, 5)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def spurious_abort() -> Scene:
    wave = Wave()
    healthy(wave)
    begin = wave.now_ns
    for _ in range(20):
        wave.start()
        wave.byte(ADDRESS << 1)
        for _ in range(3):
            wave.bit(1)
        wave.level(0, 1)
        wave.level(1, 1, for_ns=20 * MS)
    return scene_of(wave, how="invalid", first_bad_ns=begin)


def recovery_in_transaction() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    wave.byte(ADDRESS << 1)
    wave.byte(0x10)
    wave.level(0, 1, for_ns=12 * MS)
    for _ in range(9):
        wave.level(1, 1, for_ns=20 * US)
        wave.level(0, 1, for_ns=20 * US)
    wave.level(1, 1)
    begin = wave.now_ns
    deaf(wave)
    prints = [(begin - 5 * MS, "i2c: recover the bus")]
    return scene_of(wave, how="address-nack", first_bad_ns=begin, prints=prints)


def asked_with_a_stretch(wave: Wave, stretch_ns: int) -> None:
    """A register write whose register the target acknowledges late."""
    wave.start()
    wave.byte(ADDRESS << 1)
    wave.byte(0x10, stretch_ns=stretch_ns)


def stretch_creep() -> Scene:
    wave = Wave()
    for k in range(60):
        asked_with_a_stretch(wave, 200 * US + k * 50 * US)
        wave.start()
        wave.byte(ADDRESS << 1 | 1)
        for at, value in enumerate(value_of(k)):
            wave.byte(value, nack=at == 3)
        wave.stop()
        wave.wait(10 * MS)
    begin = wave.now_ns
    for _ in range(10):
        asked_with_a_stretch(wave, 3_300 * US)
        wave.stop()
        wave.wait(10 * MS)
    return scene_of(wave, how="invalid", first_bad_ns=begin)


def starved_transfer() -> Scene:
    wave = Wave()
    healthy(wave)
    begin = wave.now_ns
    for k in range(12):
        wave.start()
        wave.byte(ADDRESS << 1)
        for at in range(8):
            wave.bit(1, low_ns=30 * MS if at == (k * 5 + 2) % 8 else HALF_NS)
        wave.bit(1)
        wave.stop()
        wave.wait(10 * MS)
    return scene_of(wave, how="data-nack", first_bad_ns=begin)


def hand_over_dip() -> Scene:
    wave = Wave()
    prints = []
    for k in range(40):
        begin = wave.now_ns
        wave.poll(value_of(k))
        if k % 10 == 9:
            prints.append((wave.now_ns, "i2c: recover the bus"))
            wave.wait(MS)
            spike(wave, scl=True, sda=True)
        wave.until(begin + 20 * MS)
    return scene_of(wave, prints=prints)


def data_dependent_corruption() -> Scene:
    wave = Wave()
    for k in range(60):
        begin = wave.now_ns
        if k < 45:
            wave.poll(bytes([k & 0x3F, 0x10, k * 3 & 0x7F, 0x22]))
        else:
            wave.start()
            wave.byte(ADDRESS << 1)
            wave.byte(0x10)
            wave.start()
            wave.byte(ADDRESS << 1 | 1)
            wave.byte(k & 0x3F)
            for at in range(7, -1, -1):
                wave.bit((0x90 | k & 7) >> at & 1)
            wave.level(0, 0)
            wave.level(1, 0, for_ns=HALF_NS // 2)
            wave.level(1, 1, for_ns=HALF_NS)  # SDA is let go while SCL is high
        wave.until(begin + 20 * MS)
    return scene_of(wave)


SIGNATURES: dict[str, tuple[str, Callable[[], Scene]]] = {
    "bit-slip": ("bit-slip", bit_slip),
    "crosstalk": ("crosstalk", crosstalk),
    "slow-edges": ("slow-edges", slow_edges),
    "interference-burst": ("interference-burst", interference_burst),
    "supply-dip": ("supply-dip", supply_dip),
    "clamped-bus": ("clamped-bus", clamped_bus),
    "hot-insertion": ("hot-insertion", hot_insertion),
    "hand-over-dip": ("hand-over-dip", hand_over_dip),
    "spurious-abort": ("spurious-abort", spurious_abort),
    "recovery-in-transaction": ("recovery-in-transaction", recovery_in_transaction),
    "stretch-creep": ("stretch-creep", stretch_creep),
    "starved-transfer": ("starved-transfer", starved_transfer),
    "data-dependent-corruption": ("data-dependent-corruption", data_dependent_corruption),
}


@pytest.mark.parametrize("name", SIGNATURES)
def test_signature_on_the_wire_leads_the_claims(name: str) -> None:
    slug, scene = SIGNATURES[name]
    assert [row.cause.slug for row in ranked(scene()).claimed][:1] == [slug]

"""Causes on scenes made by hand: where a signature is, where not, where nobody can tell."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from console.diagnosis.causes.catalogue import BY_SLUG, CAUSES
from console.diagnosis.causes.cause import Answer, Cause
from console.diagnosis.causes.facts import Facts
from console.diagnosis.causes.ranking import answered, ranked
from console.diagnosis.scene import Scene
from tests.console.diagnosis.causes.hands import (
    ADDRESS,
    MS,
    US,
    S,
    Wave,
    healthy,
    noisy,
    run_of,
    scene_of,
)


def asked(slug: str, scene: Scene) -> Answer:
    return answered(BY_SLUG[slug], scene, Facts(scene))


def quiet(wave: Wave, sda: int = 1, scl: int = 1, *, for_ns: int = 400 * MS) -> int:
    """The lines stay so; when that begins."""
    begin = wave.now_ns
    wave.level(scl, sda, for_ns=for_ns)
    return begin


def read_left(bits: int) -> Wave:
    """A read left after so many clocks of its first byte, SDA held low."""
    wave = Wave()
    healthy(wave)
    wave.start()
    wave.byte(ADDRESS << 1 | 1)
    for _ in range(bits):
        wave.bit(0)
    return wave


def orphaned_read() -> Scene:
    wave = read_left(3)
    begin = quiet(wave, sda=0)
    boot = (begin + 20 * MS, "boot: build 41, reset by watchdog")
    return scene_of(wave, how="sda-stuck", first_bad_ns=begin, prints=[boot])


def zero_stream_orphan() -> Scene:
    wave = read_left(3)
    begin = quiet(wave, sda=0, for_ns=60 * MS)
    for _ in range(2):
        for _ in range(9):
            wave.level(0, 0, for_ns=20 * US)
            wave.level(1, 0, for_ns=20 * US)
        wave.wait(100 * MS)
    return scene_of(wave, how="sda-stuck", first_bad_ns=begin)


def orphaned_acknowledge() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    for at in range(7, -1, -1):
        wave.bit(ADDRESS << 1 >> at & 1)
    wave.level(0, 0)
    begin = quiet(wave, sda=0)
    return scene_of(wave, how="sda-stuck", first_bad_ns=begin)


def clock_held() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    wave.byte(ADDRESS << 1)
    begin = quiet(wave, scl=0, sda=0)
    return scene_of(wave, how="scl-stuck", first_bad_ns=begin)


def clock_held_after_a_nack() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    wave.byte(0x33 << 1, nack=True)
    begin = quiet(wave, scl=0, sda=1)
    return scene_of(wave, how="scl-stuck", first_bad_ns=begin)


def phantom_busy() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.level(1, 0, for_ns=20 * US)
    begin = quiet(wave)
    prints = [(begin + k * 20 * MS, "i2c: hopper timeout") for k in range(1, 15)]
    return scene_of(wave, how="not-asked", first_bad_ns=begin + 20 * MS, prints=prints)


def nack_trap() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    wave.byte(ADDRESS << 1)
    wave.byte(0x10, nack=True)
    wave.level(0, 1)
    begin = quiet(wave)
    return scene_of(wave, how="data-nack", first_bad_ns=begin - MS)


def missed_data_ready() -> Scene:
    wave = Wave()
    healthy(wave)
    begin = quiet(wave)
    prints = [(k * 15 * MS, f"sys: up {k}") for k in range(wave.now_ns // (15 * MS))]
    return scene_of(wave, how="not-asked", first_bad_ns=begin + 20 * MS, prints=prints)


def deaf_target() -> Scene:
    wave = Wave()
    healthy(wave)
    begin = wave.now_ns
    for _ in range(20):
        wave.refused()
        wave.wait(20 * MS)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def probe_damage() -> Scene:
    wave = Wave()
    healthy(wave)
    for address in range(0x08, 0x40):
        wave.start()
        wave.byte(address << 1, nack=address != ADDRESS)
        wave.stop()
    begin = wave.now_ns
    for _ in range(10):
        wave.refused()
        wave.wait(20 * MS)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def wrong_transaction() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    for value in (ADDRESS << 1, 0x10, *range(13)):
        wave.byte(value)
    wave.stop()
    begin = wave.now_ns
    for _ in range(10):
        wave.refused()
        wave.wait(20 * MS)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def runt_after_stretch() -> Scene:
    wave = Wave()
    healthy(wave)
    wave.start()
    wave.byte(ADDRESS << 1)
    wave.bit(0, high_ns=60, low_ns=300 * US)
    for _ in range(7):
        wave.bit(1)
    wave.bit(0)
    wave.stop()
    begin = wave.now_ns
    for _ in range(10):
        wave.refused()
        wave.wait(20 * MS)
    return scene_of(wave, how="address-nack", first_bad_ns=begin)


def frozen_target() -> Scene:
    wave = Wave()
    measured = noisy(60)
    for value in (*measured, *[measured[-1]] * 60):
        wave.poll(value)
        wave.wait(15 * MS)
    return scene_of(wave)


def released_line() -> Scene:
    wave = Wave()
    healthy(wave)
    begin = wave.now_ns
    for _ in range(20):
        wave.poll(b"\xff\xff\xff\xff")
        wave.wait(15 * MS)
    return scene_of(wave, how="filler", first_bad_ns=begin)


def tick_rollover() -> Scene:
    wave = Wave()
    wave.wait((1 << 16) * MS - 41 * 20 * MS)  # 65.5 s, the wrap of 16 bits of milliseconds
    healthy(wave)
    begin = quiet(wave)
    prints = [(begin - 400 * MS + k * 50 * MS, "sys: alive") for k in range(16)]
    return scene_of(wave, how="not-asked", first_bad_ns=begin + 20 * MS, prints=prints)


SIGNATURES: dict[str, Callable[[], Scene]] = {
    "orphaned-read": orphaned_read,
    "zero-stream-orphan": zero_stream_orphan,
    "orphaned-acknowledge": orphaned_acknowledge,
    "clock-held-by-target": clock_held,
    "clock-held-by-controller": clock_held_after_a_nack,
    "phantom-busy": phantom_busy,
    "nack-trap": nack_trap,
    "missed-data-ready": missed_data_ready,
    "deaf-target": deaf_target,
    "probe-damage": probe_damage,
    "wrong-transaction": wrong_transaction,
    "runt-after-stretch": runt_after_stretch,
    "frozen-target": frozen_target,
    "released-line": released_line,
    "tick-rollover": tick_rollover,
}


@pytest.mark.parametrize("slug", SIGNATURES)
def test_signature_holds_and_leads(slug: str) -> None:
    scene = SIGNATURES[slug]()
    assert asked(slug, scene).verdict == "holds"
    assert ranked(scene).claimed[0].cause.slug == slug


@pytest.mark.parametrize("cause", CAUSES, ids=[cause.slug for cause in CAUSES])
def test_healthy_life_shows_no_cause(cause: Cause) -> None:
    wave = Wave()
    healthy(wave, 120)
    prints = [(k * 20 * MS, f"hopper: poll {k} value {k * 7 % 90}") for k in range(120)]
    sent = [
        {"t_ns": k * 20 * MS, "topic": "capline/hopper/state", "payload": f'{{"n":{k}}}'}
        for k in range(120)
    ]
    scene = scene_of(wave, prints=prints, messages=sent)
    assert answered(cause, scene, Facts(scene)).verdict != "holds"


NEEDING = [cause for cause in CAUSES if cause.needs]


@pytest.mark.parametrize("cause", NEEDING, ids=[cause.slug for cause in NEEDING])
def test_cause_without_its_sources_is_not_observable(cause: Cause) -> None:
    wave = Wave()
    healthy(wave)
    scene = scene_of(wave, prints=None, messages=None, capture=False)
    assert answered(cause, scene, Facts(scene)).verdict == "not-observable"


OF_THE_WIRE = ("bit-slip", "runt-after-stretch", "crosstalk", "hand-over-dip", "phantom-busy")


@pytest.mark.parametrize("slug", OF_THE_WIRE)
def test_cause_of_the_wire_is_not_observable_where_the_wire_was_not_kept(slug: str) -> None:
    wave = Wave()
    healthy(wave)
    begin = quiet(wave)
    scene = scene_of(wave, how="not-asked", first_bad_ns=begin, kept=False)
    assert asked(slug, scene).verdict == "not-observable"


@pytest.mark.parametrize("slug", ["bit-slip", "runt-after-stretch", "crosstalk"])
def test_short_pulses_are_not_observable_with_samples_too_far_apart(slug: str) -> None:
    wave = Wave()
    healthy(wave)
    begin = quiet(wave)
    scene = scene_of(wave, how="not-asked", first_bad_ns=begin, sample_ns=2 * US)
    assert asked(slug, scene).verdict == "not-observable"


def test_hold_where_a_target_stretches_is_not_told_from_the_controllers() -> None:
    ranking = ranked(clock_held())
    assert ranking.tie is None or ranking.tie.extra_channel == "the controller's reset line"
    assert asked("orphaned-read", clock_held()).verdict == "refuted"


def command(t_ns: int, n: int, **more: object) -> dict[str, object]:
    row = {"t_ns": t_ns, "topic": "capline/diverter/command", "payload": f'{{"n":{n}}}'}
    return row | {"qos": 1} | more


def state(t_ns: int, n: int) -> dict[str, object]:
    return {"t_ns": t_ns, "topic": "capline/hopper/state", "payload": f'{{"n":{n},"cm":8}}'}


def test_message_that_comes_again_as_a_duplicate_is_a_redelivery() -> None:
    sent = [command(k * S, k) for k in range(10)]
    sent.append(command(9 * S + 100 * MS, 9, duplicate=True))
    assert asked("redelivery", run_of([(0, "boot: build 41")], sent, 10 * S)).verdict == "holds"


def test_fields_that_change_for_good_at_a_boot_are_a_schema_drift() -> None:
    old = [state(k * S, k) for k in range(12)]
    new = [
        {"t_ns": k * S, "topic": "capline/hopper/state", "payload": f'{{"n":{k},"level":8}}'}
        for k in range(12, 24)
    ]
    scene = run_of([(11 * S + MS, "boot: build 42")], old + new, 24 * S)
    assert asked("schema-drift", scene).verdict == "holds"

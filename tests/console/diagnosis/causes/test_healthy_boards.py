"""What healthy boards do and print every day is no cause."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
from tests.console.diagnosis.causes.hands import ADDRESS, MS, Wave, noisy, scene_of, took, wrote


def claimed(scene: Scene) -> list[str]:
    return [row.cause.slug for row in ranked(scene).claimed]


def polled(replies: Sequence[bytes], wave: Wave | None = None) -> Wave:
    wave = wave or Wave()
    for reply in replies:
        wave.poll(reply)
        wave.wait(15 * MS)
    return wave


@pytest.mark.parametrize(
    ("said", "slugs"),
    [
        ("published 120 bytes", []),
        ("heap 8000 bytes", []),
        ("hopper: sent 120 bytes to mqtt", []),
        ("chute: 120 bytes", []),
        ("hopper: 120 bytes", ["length-cap"]),
        (f"0x{ADDRESS:02x}: length 120", ["length-cap"]),
        ("[i2c] wanted 120 bytes", ["length-cap"]),
    ],
)
def test_only_bytes_of_the_bus_are_more_than_a_read_got(said: str, slugs: list[str]) -> None:
    wave = polled([bytes((k * 7 + at * 13) % 96 for at in range(16)) for k in range(40)])
    prints = [(wave.now_ns * k // 40, said) for k in range(1, 40)]
    assert claimed(scene_of(wave, prints=prints)) == slugs


def test_first_byte_that_now_and_then_equals_a_length_promises_no_more() -> None:
    dice = np.random.default_rng(5)
    wave = Wave()
    for _ in range(200):
        wave.poll(dice.bytes(16))
        wave.poll(bytes([int(dice.integers(0, 16)), *dice.bytes(5)]), register=0x20)
        wave.wait(5 * MS)
    assert claimed(scene_of(wave)) == []


@pytest.mark.parametrize("fixed", [b"\x00", b"\xe5"])
def test_registers_that_are_read_in_ways_of_their_own_show_no_wrong_joint(fixed: bytes) -> None:
    wave = Wave()
    for reply in noisy(120):
        wave.poll(reply)
        wave.wait(5 * MS)
        wrote(wave, 0x20)
        took(wave, fixed)
        wave.wait(15 * MS)
    assert claimed(scene_of(wave)) == []


def inputs_of_a_port(count: int) -> list[bytes]:
    """Two bytes of inputs, of which some change between two polls."""
    dice = np.random.default_rng(5)
    flips = dice.integers(0, 2, (count, 16)) & dice.integers(0, 2, (count, 16))
    words = np.bitwise_xor.accumulate(np.packbits(flips.astype(np.uint8), axis=1), axis=0)
    return [bytes(row) for row in words]


def speed_of_a_belt(count: int) -> list[bytes]:
    """A state and a value with noise, which is 0 at the last: the belt stands."""
    return [b"\x01" + value for value in [*noisy(count - 1), bytes(2)]]


@pytest.mark.parametrize("moving", [inputs_of_a_port, speed_of_a_belt])
def test_what_stands_still_because_the_belt_does_is_not_frozen(
    moving: Callable[[int], list[bytes]],
) -> None:
    replies = moving(120)
    scene = scene_of(polled([*replies, *[replies[-1]] * 100]))
    answer = ranked(scene).of("frozen-target").answer
    assert (claimed(scene), answer.verdict) == ([], "not-observable")

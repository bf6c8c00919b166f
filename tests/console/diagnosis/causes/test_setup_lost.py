"""A device that lost its set-up, told from one that measures something else all at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
from tests.console.diagnosis.causes.hands import MS, Wave, noisy, scene_of, wrote

_AT = 110  # the poll from which on the level is another


def jumped(
    counts: Sequence[int],
    *,
    refused: Sequence[int] = (),
    register: bytes = b"",
    set_again: bool = False,
) -> Scene:
    """Polls of a count and a value that is set up once, whose level jumps once.

    Args:
        counts: of each poll.
        refused: polls before which the address is not acknowledged.
        register: how the register that was set up is read, now and then; empty: never.
        set_again: the register is written right before the jump.
    """
    wave = Wave()
    wave.wait(50 * MS)
    wrote(wave, 0x40, 0x5A)
    for k, (count, value) in enumerate(zip(counts, noisy(len(counts)), strict=True)):
        if k in refused:
            wave.refused()
        if set_again and k == _AT:
            wrote(wave, 0x40, 0x5B)
        level = int.from_bytes(value, "big") + 8_000 * (k >= _AT)
        wave.poll(bytes([count % 256, *level.to_bytes(2, "big")]))
        wave.wait(10 * MS)
        if register and k % 10 == 0:
            wave.poll(register, register=0x40)
        wave.wait(10 * MS)
    return scene_of(wave)


COUNTED_ON = range(30, 170)
BEGAN_ANEW = (*range(30, 140), *range(1, 31))
SCENES: dict[str, tuple[Callable[[], Scene], str]] = {
    "jump-alone": (lambda: jumped(COUNTED_ON), "not-observable"),
    "jump-as-a-count-begins-anew": (lambda: jumped(BEGAN_ANEW), "holds"),
    "jump-after-no-answer": (lambda: jumped(COUNTED_ON, refused=[_AT]), "holds"),
    "jump-of-a-device-that-is-often-busy": (
        lambda: jumped(COUNTED_ON, refused=range(2, 140, 12)),
        "not-observable",
    ),
    "jump-though-the-register-is-as-set": (lambda: jumped(COUNTED_ON, register=b"\x5a"), "refuted"),
    "jump-as-the-firmware-sets-it-up": (lambda: jumped(BEGAN_ANEW, set_again=True), "refuted"),
}


@pytest.mark.parametrize("name", SCENES)
def test_level_that_jumps_tells_a_restart_only_with_a_second_sign(name: str) -> None:
    scene, told = SCENES[name]
    ranking = ranked(scene())
    claims = ["config-amnesia"] if told == "holds" else []
    assert ranking.of("config-amnesia").answer.verdict == told
    assert [row.cause.slug for row in ranking.claimed] == claims

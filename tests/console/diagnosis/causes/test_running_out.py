"""A count that ran out: how much a round count tells alone, and beside a second sign."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from console.diagnosis.causes.ranking import ranked
from console.diagnosis.scene import Scene
from tests.console.diagnosis.causes.hands import MS, S, Wave, healthy, scene_of, value_of

NEIGHBOUR = 0x51


def given_up(polls: int, said: Sequence[str] = ()) -> Scene:
    """So many polls, then none though a neighbour is polled on; what is said twice a second."""
    wave = Wave()
    healthy(wave, polls, period_ns=5 * MS)
    begin = wave.now_ns
    for k in range(40):
        wave.poll(value_of(k), address=NEIGHBOUR)
        wave.wait(100 * MS)
    prints = [(begin + k * S // 2, text) for k in range(8) for text in said]
    return scene_of(wave, how="not-asked", first_bad_ns=begin, prints=prints or None)


def claimed(scene: Scene) -> bool:
    return ranked(scene).of("counter-runs-out").claimed


# Of counts about 126 every seventh is a power of two or a table less some; of those about 1,023
# one in 120 is within one of a power of two.
@pytest.mark.parametrize("polls", [64, 124, 126, 128, 248, 255])
def test_one_stop_at_a_round_count_that_is_no_rare_one_is_not_enough(polls: int) -> None:
    assert not claimed(given_up(polls))


def test_one_stop_at_a_round_count_that_is_rare_is_told() -> None:
    assert claimed(given_up(1_023))


@pytest.mark.parametrize("polls", [90, 126])
def test_number_of_an_error_that_means_no_handles_left_tells_at_any_count(polls: int) -> None:
    assert claimed(given_up(polls, ["i2c: open failed, errno 24"]))


def test_failing_before_anything_is_sent_tells_at_a_round_count() -> None:
    assert claimed(given_up(255, ["hopper: timeout"]))


def test_failing_before_anything_is_sent_tells_nothing_at_another_count() -> None:
    answer = ranked(given_up(90, ["hopper: timeout"])).of("counter-runs-out").answer
    assert answer.verdict == "not-observable"

"""Lines that look like servo signals or echo ranging, and those that do not."""

from __future__ import annotations

import random

from decoders.buses.pulses_roles import pulse_lines
from tests.decoders.buses.pulse_lines import MS, edges_of, ranging, servo


def test_servos_and_ranging_are_told_beside_each_other() -> None:
    moves = [1000 + 25 * (k % 40) for k in range(60)]
    lines = [servo(moves), *ranging([4000 + 50 * k for k in range(30)]), servo([1500] * 60, 15, 1)]
    servos, pairs = pulse_lines(edges_of(lines, 2_000 * MS), list("abcd"))
    assert [found.line for found in servos] == [0, 3]
    assert servos[0].why == "60 pulses of 1000 to 1975 us, one every 20 ms"
    assert [(pair.trigger, pair.echo) for pair in pairs] == [(1, 2)]
    assert pairs[0].why == "of 30 short pulses 100% are answered"


def test_what_has_no_beat_or_other_widths_is_no_servo() -> None:
    randomly = random.Random(3)
    at, restless = 0, []
    for _ in range(60):
        at += randomly.randrange(3, 40) * MS
        restless.append((at, at + MS))
    lines = [restless, servo([3000] * 60), servo([1500] * 60, 1000)]
    servos, pairs = pulse_lines(edges_of(lines, 70_000 * MS), list("abc"))
    assert (servos, pairs) == ([], [])


def test_an_echo_line_with_pulses_of_its_own_is_none() -> None:
    trigger, echo = ranging([4000] * 30)
    echo = sorted([*echo, *((t + 30 * MS, t + 31 * MS) for t, _ in trigger)])
    assert pulse_lines(edges_of([trigger, echo], 2_000 * MS), list("ab"))[1] == []

"""What was different, as it is told."""

from __future__ import annotations

import pytest

from console.diagnosis.before.difference import Differences
from console.diagnosis.telling.different import chance_words, different


def some(healthy: int, least_p: float) -> Differences:
    unseen = ["pulses: the levels of the wire were not kept here"]
    unseen += [f"{kind}: not observable here" for kind in ("prints", "memory", "happenings")]
    return Differences((), (), ("shape", "gap"), unseen, healthy, least_p)


@pytest.mark.parametrize(
    ("p", "told"),
    [
        (0.0012, "by chance in 1 run of 830"),
        (0.05, "by chance in 1 run of 20"),
        (1e-9, "by chance in less than 1 run of a million"),
    ],
)
def test_a_chance_is_told_as_one_run_of_so_many(p: float, told: str) -> None:
    assert chance_words(p) == told


def test_with_too_few_polls_what_was_looked_at_is_left_out() -> None:
    lines = [line.words for line in different(some(3, 0.4)).lines]
    assert lines == [
        "cannot say: too few (3) healthy polls beyond the first, which teach what is usual",
        "not observable here: prints, free memory",
    ]


def test_with_enough_polls_it_is_said_what_was_looked_at_and_what_not() -> None:
    lines = [line.words for line in different(some(5_000, 0.001)).lines]
    assert lines == [
        "nothing unusual, in 2 kinds of things looked at, beside 5,000 healthy polls",
        "looked at: forms of transactions, pauses",
        "not looked at: widths of pulses: the levels of the wire were not kept here",
        "not observable here: prints, free memory",
    ]


def test_without_a_healthy_poll_there_is_none_to_compare_with() -> None:
    first = different(some(0, 1.0)).lines[0].words
    assert first == ("cannot say: no healthy polls beyond the first, which teach what is usual")

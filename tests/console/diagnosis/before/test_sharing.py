"""What several episodes end with."""

from __future__ import annotations

import pytest

from console.diagnosis.before.difference import Difference, Differences, Said
from console.diagnosis.before.looking import differences
from console.diagnosis.before.sharing import shared
from console.diagnosis.story import Place
from tests.console.diagnosis.before.planted import US, scene_with


def noticed(k: int, value_ns: int, share: float = 0.02, what: str = "write of 3B") -> Differences:
    """An episode that ends so shortly after something."""
    words = f"read of 6 bytes {value_ns // US} us after {what} to 0x70"
    said = Said(words, Place(k), f"a transaction after {what} to 0x70", share, value_ns)
    one = Difference("neighbour", said, "from the last good poll on", 5, 100, 0.6)
    return Differences((), (one,), ("neighbour",), (), 100, 0.1)


NOTHING = Differences((), (), ("neighbour",), (), 100, 0.1)


def test_what_all_but_one_end_with_is_told_with_its_range() -> None:
    many = [noticed(k, ns * US) for k, ns in enumerate((120, 150, 180, 133, 170))] + [NOTHING]
    (one,) = shared(many)
    assert one.words == (
        "5 of 6 end with read of 6 bytes 120 us to 180 us after write of 3B to 0x70"
    )
    assert (list(one.episodes), one.of) == ([0, 1, 2, 3, 4], 6)
    assert [place.t_ns for place in one.places] == [0, 1, 2, 3, 4]


def test_chance_is_that_the_others_have_what_the_first_one_chose() -> None:
    # One kind of thing was noticed, in a share of 0.02 of polls, six polls looked at each time.
    many = [noticed(0, 120 * US), noticed(1, 130 * US), NOTHING]
    chance = 1 - 0.98**6
    assert 1 - (1 - chance) ** 2 > 0.05
    assert shared(many) == []
    assert [one.p for one in shared(many[:2])] == []


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_what_is_common_proves_nothing(share: float) -> None:
    assert shared([noticed(k, 120 * US, share) for k in range(4)]) == []


def test_different_things_share_nothing() -> None:
    many = [noticed(k, 120 * US, what=f"write of {k:02X}") for k in range(6)]
    assert shared(many) == []


def test_one_episode_shares_nothing() -> None:
    assert shared([noticed(0, 120 * US)]) == []


def test_short_runs_that_prove_nothing_alone_do_so_together() -> None:
    many = [differences(scene_with("neighbour", seed, polls=150)) for seed in range(5)]
    assert [list(one.ranked) for one in many] == [[]] * 5
    first = shared(many)[0]
    assert first.kind == "neighbour"
    assert first.words.startswith("5 of 5 end with read of 6 bytes ")
    assert first.words.endswith(" us after write of 6B to 0x68")


def test_healthy_ends_share_nothing() -> None:
    assert shared([differences(scene_with("", seed, polls=400)) for seed in range(5)]) == []

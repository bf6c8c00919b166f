"""What a life says of its end."""

from __future__ import annotations

from console.diagnosis.lifetimes.lives import Life

S = 10**9


def life(elapsed_s: float, open_s: float = 0, **counts: float) -> Life:
    return Life(
        "run",
        "camera",
        "boot",
        "failed",
        round(elapsed_s * S),
        open_ns=round(open_s * S),
        counts=counts,
    )


def test_its_end_is_known_to_the_wait_for_the_first_bad_one() -> None:
    assert life(100, 4).open_share == 0.04


def test_where_that_is_not_known_it_is_a_poll() -> None:
    assert life(100, polls=50).open_share == 0.02


def test_of_a_life_without_a_length_nothing_is_known() -> None:
    assert (life(0, 2).open_share, life(0, 2).age_ns, life(0).age_ns) == (1.0, S, 1)


def test_it_could_fail_all_the_time_unless_it_is_said_otherwise() -> None:
    whole = life(100)
    part = Life("run", "camera", "boot", "failed", 100 * S, exposed_ns=40 * S)
    assert (whole.exposed_share, part.exposed_share) == (1.0, 0.4)

"""What may have run out, and what moves together."""

from __future__ import annotations

from console.diagnosis.lifetimes.candidates import (
    TIME,
    Candidate,
    candidates,
    is_of_others,
    paced,
    preference,
)
from console.diagnosis.lifetimes.lives import Life

S = 10**9


def life(age_s: float, ended: str = "failed", period_s: float = 1.0, **counts: float) -> Life:
    """A life with counts of that length."""
    return Life(
        "run",
        "camera",
        "first seen",
        "failed" if ended == "failed" else "censored",
        round(age_s * S),
        open_ns=round(period_s * S) if ended == "failed" else 0,
        counts=counts,
    )


def found(*lives: Life) -> dict[str, Candidate]:
    """Candidates by name."""
    failed = [each for each in lives if each.failed]
    censored = [each for each in lives if not each.failed]
    return {each.name: each for each in candidates(failed, censored)}


def test_a_count_that_one_life_lacks_is_not_tried() -> None:
    assert list(found(life(100, polls=100, reads=90), life(200, polls=200))) == [TIME, "polls"]


def test_counts_too_small_to_tell_anything_are_not_tried() -> None:
    names = list(found(life(100, polls=100, opens=3), life(200, polls=200, opens=3)))
    assert names == [TIME, "polls"]


def test_more_lives_let_smaller_counts_tell() -> None:
    lives = [life(100 + k, polls=100 + k, opens=3) for k in range(5)]
    assert "opens" in found(*lives)


def test_a_total_is_known_to_what_a_poll_adds_to_it() -> None:
    both = found(life(100, polls=100, bytes=2500), life(100, polls=100, bytes=2500))
    assert both["bytes"].ratio == both["polls"].ratio


def test_a_long_wait_before_the_first_bad_poll_leaves_the_time_open() -> None:
    both = found(life(100, period_s=25, polls=100), life(100, period_s=25, polls=100))
    assert both[TIME].ratio == 1.25


def test_one_that_went_on_well_beyond_refutes() -> None:
    lives = [life(100, polls=100), life(101, polls=101), life(300, "censored", polls=90)]
    both = found(*lives)
    assert (both[TIME].survivors, both["polls"].survivors) == ((0,), ())


def test_one_that_went_on_a_little_beyond_refutes_nothing() -> None:
    lives = [life(100, polls=100), life(110, polls=110), life(120, "censored", polls=120)]
    assert not found(*lives)["polls"].refuted


def test_what_moves_together_over_all_lives_is_one() -> None:
    lives = [life(1000, polls=1000, reads=2000), life(3000, polls=3000, reads=6000)]
    groups = paced(list(found(*lives).values()))
    assert [group.names for group in groups] == [(TIME, "polls", "reads")]


def test_another_rate_in_one_life_parts_time_and_count() -> None:
    lives = [life(1000, polls=1000, reads=2000), life(1500, polls=3000, reads=6000)]
    groups = paced(list(found(*lives).values()))
    assert sorted(group.names for group in groups) == [("polls", "reads"), (TIME,)]


def test_a_life_that_did_not_fail_parts_them_as_well() -> None:
    lives = [life(1000, polls=1000), life(1001, polls=1001), life(600, "censored", polls=1200)]
    assert len(paced(list(found(*lives).values()))) == 2


def test_time_leads_what_is_as_fine() -> None:
    lives = [life(1000, polls=1000), life(1001, polls=1001)]
    assert paced(list(found(*lives).values()))[0].leader.name == TIME


def test_names_are_told_time_first_and_those_of_others_last() -> None:
    names = ["messages on a", "bytes read", "reads", TIME, "polls", "bytes on i2c-1"]
    assert sorted(names, key=preference) == [
        TIME, "polls", "reads", "bytes read", "bytes on i2c-1", "messages on a",
    ]  # fmt: skip


def test_reads_of_some_length_are_the_parts_own() -> None:
    assert [is_of_others(name) for name in ("reads of 8 bytes", "transactions of hopper")] == [
        False, True,
    ]  # fmt: skip


def test_without_failures_there_is_nothing_to_try() -> None:
    assert candidates([], [life(10, "censored", polls=3)]) == []

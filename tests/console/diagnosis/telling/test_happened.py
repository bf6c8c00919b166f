"""The head of a story: who stopped, how, after how many, and whether it came back."""

from __future__ import annotations

from dataclasses import replace

from console.diagnosis.telling.happened import head_of
from tests.console.diagnosis.stories import S, some_episode

STOPPED = some_episode()


def test_a_target_that_is_asked_in_vain_stopped_answering() -> None:
    assert head_of(STOPPED) == (
        "camera stopped answering after 2,047 answered polls (34.1 min): address not acknowledged"
    )


def test_one_that_came_back_did_so_after_a_while() -> None:
    back = replace(STOPPED, recovered=True)
    assert head_of(back).endswith("address not acknowledged; it answered again 74 s later")


def test_where_a_line_was_held_nobody_could_ask() -> None:
    held = replace(STOPPED, how="sda-stuck", transactions_unanswered=0)
    assert head_of(held).startswith("camera could not be asked after 2,047")


def test_one_that_nobody_asked_any_more_did_nothing_wrong() -> None:
    left = replace(STOPPED, how="not-asked", recovered=True, until_ns=2_050 * S)
    assert head_of(left) == (
        "camera was no longer asked after 2,047 answered polls (34.1 min); "
        "it was asked again 2 s later"
    )


def test_one_that_never_was_healthy_has_no_count() -> None:
    never = replace(STOPPED, transactions_answered=0, polls_answered=0)
    assert head_of(never) == "camera gave no valid answer at all: address not acknowledged"

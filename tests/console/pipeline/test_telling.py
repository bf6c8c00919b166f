"""Stories of simulated runs whose cause is known."""

from __future__ import annotations

import pytest

from tests.console.pipeline.told_runs import part, told_run, words


def test_a_read_left_inside_a_byte_is_told_to_the_bit() -> None:
    made, found = told_run("orphaned-read")
    story = found.stories[0]
    assert story.episode.device == made.truth.device
    assert "SDA held low" in story.head
    ended = words(found, "How it ended")
    assert "of a read from" in ended
    assert "It was the target's turn to drive SDA." in ended
    assert "Predicted to free it" in ended
    assert "A read was left inside a byte" in words(found, "Why")


def test_a_held_byte_is_drawn_and_its_drawing_is_not_wrapped() -> None:
    lines = part(told_run("orphaned-read")[1], "How it ended").lines
    assert [line.words.split()[0] for line in lines if line.drawn][:3] == ["bit", "SCL", "SDA"]


def test_the_last_good_line_leads_to_the_transaction_it_tells_of() -> None:
    _, found = told_run("orphaned-read")
    place = part(found, "What happened").lines[0].place
    assert place is not None
    assert (place.table, place.t_ns) == ("transactions", found.stories[0].episode.last_good_ns)


def test_outcomes_are_offered_for_the_experiment_that_would_tell_most() -> None:
    _, found = told_run("clock-held-by-target")
    lines = part(found, "What to try next").lines
    offered = [line.outcome for line in lines if line.outcome is not None]
    assert len(offered) >= 2
    assert len({experiment for experiment, _ in offered}) == 1


@pytest.mark.parametrize("cause", ["orphaned-read", "clock-held-by-target"])
def test_of_the_healthy_twin_there_is_nothing_to_tell(cause: str) -> None:
    sick, _ = told_run(cause)
    _, found = told_run(cause, healthy=True)
    assert found.stories == []
    assert sick.truth.device in {each.device for each in found.episodes}


def test_every_life_of_the_run_is_there_beside_the_story() -> None:
    made, found = told_run("orphaned-read")
    failed = {each.device for each in found.episodes if each.failed}
    assert made.truth.device in failed
    assert {life.device for life in found.lives} >= failed

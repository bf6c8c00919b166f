"""There is always something to try next."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from console.diagnosis.causes.experiments import Outcome, after
from console.diagnosis.causes.ranking import Ranking
from console.diagnosis.scene import Scene, SceneSource
from console.diagnosis.story import Part
from console.diagnosis.telling.explaining import explained
from console.diagnosis.telling.next_step import in_sentence, try_next
from tests.console.diagnosis.causes.test_ranking import CONTROLLER, READ, TARGET, ranking
from tests.console.diagnosis.stories import some_episode


def scene(*kinds: str) -> Scene:
    sources = [SceneSource(kind, kind, 10) for kind in kinds]
    return Scene(some_episode(), {}, 0, 10, sources)


def tried(found: Ranking, *kinds: str) -> Part:
    given = replace(found, episode=some_episode())
    return try_next(scene(*kinds or ("capture", "prints", "messages")), explained(given))


def test_of_causes_that_are_tied_the_experiment_that_splits_them_is_told() -> None:
    lines = tried(ranking({TARGET: 5.0, CONTROLLER: 5.0})).lines
    points = [line.words.partition(": ")[2] for line in lines if line.outcome is not None]
    assert set(points) >= {
        "the target holds the clock",
        "the controller holds the clock and waits for its software",
    }


def test_what_two_outcomes_in_a_row_point_to_is_named_once() -> None:
    lines = tried(ranking({"nack-hammer": 5.0, "deaf-target": 3.0})).lines
    points = [line.words.partition(": ")[2] for line in lines if line.outcome is not None]
    assert all(a != b or a == "the same" for a, b in pairwise(points))


def test_a_cause_that_stands_alone_is_put_to_the_test() -> None:
    lines = tried(ranking({READ: 12.0})).lines
    assert lines[0].words.startswith("One cause stands alone. To check it: at the hold, clock")
    fits = [line.words for line in lines if line.words.endswith("as expected")]
    assert fits == ['  outcome "free in the number foretold": as expected']
    assert lines[-1].tone == "doubt"  # what to take care of


def test_what_was_tried_is_told_and_not_tried_again() -> None:
    done = [Outcome("clock-it-free", "free in the number foretold")]
    found = replace(after(ranking({READ: 12.0}), done), episode=some_episode())
    lines = try_next(scene("capture"), explained(found), done).lines
    assert lines[0].words.startswith("done: At the hold, clock slowly")
    assert lines[0].outcome == (done[0].experiment, done[0].outcome)
    assert not any("To check it: at the hold" in line.words for line in lines)


@pytest.mark.parametrize(
    ("kinds", "told"),
    [
        (("capture", "messages"), "Record the board's prints too: "),
        (("capture", "prints", "messages"), "Record it once more: "),
    ],
)
def test_where_no_cause_is_claimed_to_record_more_is(kinds: tuple[str, ...], told: str) -> None:
    (line,) = tried(ranking({"heap-starvation": None, READ: None}), *kinds).lines
    assert line.words.startswith(told)


def test_a_title_in_a_sentence_begins_small_but_for_a_name_in_capitals() -> None:
    assert in_sentence("A read was left") == "a read was left"
    assert in_sentence("MQTT was lost") == "MQTT was lost"

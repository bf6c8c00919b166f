"""The verdict of a story: what is named where nothing shows itself, once something was tried."""

from __future__ import annotations

from dataclasses import replace

from console.diagnosis.causes.experiments import Outcome, after
from console.diagnosis.causes.ranking import ranked
from console.diagnosis.episode import whole_run
from console.diagnosis.scene import Scene
from console.diagnosis.telling.explaining import explained
from console.diagnosis.telling.why import cause
from tests.console.diagnosis.causes.hands import Wave, healthy, scene_of
from tests.console.diagnosis.causes.test_ranking import READ, ranking

S = 1_000_000_000
AT_THE_SAME_COUNT = Outcome("poll-rate", "dies at the same count")


def stopped_after(polls: int) -> Scene:
    """A device that is asked no more after so many polls; nobody says anything."""
    wave = Wave()
    healthy(wave, polls)
    first_bad_ns = wave.now_ns
    wave.wait(S)
    return scene_of(wave, how="not-asked", first_bad_ns=first_bad_ns)


def verdict(scene: Scene, *outcomes: Outcome) -> list[str]:
    found = ranked(scene)
    part = cause(explained(after(found, outcomes) if outcomes else found))
    return [line.words for line in part.lines]


def test_one_stop_at_no_round_count_rules_a_counter_neither_in_nor_out() -> None:
    row = ranked(stopped_after(177)).of("counter-runs-out")
    assert (row.answer.verdict, row.claimed) == ("not-observable", False)


def test_nothing_is_named_where_nothing_shows_itself() -> None:
    assert len(verdict(stopped_after(177))) == 1


def test_cause_that_an_experiment_speaks_for_is_named_as_not_seen() -> None:
    none, lead = verdict(stopped_after(177), AT_THE_SAME_COUNT)
    assert none.startswith("No cause of the catalogue shows itself here")
    title = ranked(stopped_after(177)).of("counter-runs-out").cause.title
    assert lead.startswith(f"What was tried speaks for this one, which is not seen here: {title} (")


def test_experiment_that_speaks_for_nothing_names_nothing() -> None:
    scattered = Outcome("poll-rate", "both scatter")
    assert len(verdict(stopped_after(177), scattered)) == 1


def test_of_a_whole_run_it_is_said_whose_life_shows_the_cause() -> None:
    life = replace(stopped_after(177).episode, failed=False)
    shown = replace(ranking({READ: 9.0}, episode=life), episode=whole_run(0, S))
    (line,) = cause(explained(shown)).lines
    assert line.words.endswith(f"), as {life.device} shows.")
    (own,) = cause(explained(replace(shown, episode=life))).lines
    assert "shows" not in own.words

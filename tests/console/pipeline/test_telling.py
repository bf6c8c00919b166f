"""Stories of simulated runs whose cause is known."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from console.diagnosis.causes.experiments import Outcome
from console.diagnosis.lifetimes.counting import lives_of
from console.diagnosis.scene import Scene, SceneSource
from console.diagnosis.telling.telling import found_of
from console.pipeline.looked import Looked, gravest_first
from console.pipeline.telling import told_of
from console.watch.names import Names
from tests.console.diagnosis.stories import S, some_episode
from tests.console.pipeline.told_runs import part, told_run, words
from tests.console.watch.runs import table


def test_a_read_left_inside_a_byte_is_told_to_the_bit() -> None:
    made, found = told_run("orphaned-read")
    story = found.stories[0]
    assert story.episode.device == made.truth.device
    assert "SDA held low" in story.head
    ended = words(found, "How it ended")
    assert "of a read from" in ended
    assert "It was the target's turn to drive SDA." in ended
    assert "Predicted to free it" in ended
    assert "A read was left inside a byte" in words(found, "What may be the cause")


def test_what_is_asked_first_stands_at_the_top() -> None:
    _, found = told_run("orphaned-read")
    assert [part.title for part in found.stories[0].parts][:3] == [
        "What happened",
        "What may be the cause",
        "What to try next",
    ]
    told = words(found, "What happened").splitlines()
    assert told[0].startswith("last answered: ")
    assert any(line.startswith("answered until then: ") for line in told)


def test_a_held_line_is_told_with_the_name_of_whom_the_transaction_was_for() -> None:
    _, found = told_run("orphaned-read")
    address = part(found, "How it ended").lines[0].words.partition(" from ")[2]
    assert re.fullmatch(r"[a-z]+ \(0x[0-9A-F]{2}\)\.", address)
    victim = told_run("keep-alive-starvation", 1)[1]
    assert "SCL held low, inside a write to tank (0x42)" in words(victim, "What happened")


def test_what_the_network_shows_is_no_reason_for_a_peripheral_to_stop() -> None:
    _, found = told_run("keep-alive-starvation", 1)
    beside = next(p for p in found.stories[0].parts if p.title.startswith("On the network"))
    assert "keep-alive" in beside.lines[0].words
    assert "keep-alive" not in words(found, "What may be the cause")


def test_what_never_was_healthy_is_told_after_what_was() -> None:
    never = replace(some_episode(), transactions_answered=0, polls_answered=0)
    back = replace(some_episode(), recovered=True)
    brief = replace(back, until_ns=back.first_bad_ns + 1)
    told = sorted([never, brief, back, some_episode()], key=gravest_first)
    assert told == [some_episode(), back, brief, never]


def test_a_target_that_stays_away_once_the_line_is_free_is_told_as_one_stop() -> None:
    _, found = told_run("hot-insertion", 4)
    gravest = found.stories[0].episode
    assert (gravest.device, gravest.recovered, gravest.how) == ("hopper", False, "sda-stuck")
    assert "A plug opens and closes" in words(found, "What may be the cause")


def test_devices_that_stop_together_are_named_once_each() -> None:
    _, found = told_run("hot-insertion", 4)
    lines = words(found, "What happened").splitlines()
    others = [line.split()[0] for line in lines if " too, " in line]
    assert len(others) == len(set(others)) == 2


def test_a_held_line_keeps_its_victim_from_being_asked() -> None:
    _, found = told_run("keep-alive-starvation", 1)
    head = found.stories[0].head
    assert "could not be asked after 74 answered polls" in head
    assert head.endswith("SCL held low; it answered again 3.29 s later")


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
    assert sick.truth.device in {each.device for each in found.looked.episodes}


def test_every_life_of_the_run_is_there_beside_the_story() -> None:
    made, found = told_run("orphaned-read")
    failed = {each.device for each in found.looked.episodes if each.failed}
    assert made.truth.device in failed
    assert {life.device for life in found.looked.lives} >= failed


def test_of_many_holds_the_longest_is_told_and_the_others_are_folded() -> None:
    _, found = told_run("starved-transfer", 19)
    (drawn,) = [line for line in part(found, "How it ended").lines if "held here" in line.words]
    others = part(found, "The other times a line was held")
    assert drawn.drawn
    assert others.folded
    assert f"a line was held {len(others.lines)} more times" in words(found, "How it ended")


def test_what_is_ruled_out_is_so_by_one_sign_in_a_sentence() -> None:
    _, found = told_run("nack-trap", 6)
    lines = words(found, "Ruled out").splitlines()
    assert "The target holds the clock. But SCL is not held low" in lines
    assert not any(";" in line.partition(". But ")[2] for line in lines)


def test_what_stops_no_peripheral_is_told_of_the_whole_run() -> None:
    _, found = told_run("reconnect-storm")
    story = found.stories[-1]
    assert story.episode.device == ""
    assert "shows: reconnects come faster and faster" in story.head
    assert story.parts[0].title == "What may be the cause"
    assert story.parts[0].lines[0].words.startswith("Reconnects come faster and faster")


def test_of_a_healthy_run_of_the_network_nothing_is_told() -> None:
    _, found = told_run("reconnect-storm", healthy=True)
    assert found.stories == []


def test_what_was_tried_is_told_without_looking_again() -> None:
    made, found = told_run("clock-held-by-target")
    assert told_of(found.looked).stories == found.stories
    device = found.stories[0].episode.device
    tried = Outcome("restart-controller", "works at once", device)
    again = told_of(found.looked, [tried])
    assert again.looked is found.looked
    assert made.truth.device == device
    assert part(again, "What may be the cause") != part(found, "What may be the cause")


def test_of_two_lives_of_one_length_each_story_tells_its_own() -> None:
    lasting = replace(some_episode(), first_good_ns=101 * S, last_good_ns=121 * S)
    first = replace(lasting, first_bad_ns=122 * S, until_ns=204 * S, recovered=True)
    second = replace(first, first_good_ns=205 * S, last_good_ns=225 * S, first_bad_ns=226 * S)
    boots = [(100, 0), (110, 10), (120, 20), (200, 0), (210, 10), (220, 20)]
    prints = [{"t_ns": t * S, "native_ns": n * S, "source": "log", "text": "x"} for t, n in boots]
    tables = {"prints": table("prints", prints)}
    sources = [SceneSource("wire", "capture", 300 * S)]
    found = [found_of(Scene(each, tables, 0, 300 * S, sources)) for each in (first, second)]
    lives = lives_of([first, second], tables, "monday", Names())
    told = told_of(Looked([first, second], lives, Names(), found, None))
    counted = [story.parts[0].lines[-1].words for story in told.stories]
    assert [words.rpartition(" in ")[2] for words in counted] == [
        "20 s, 21 s after the board started",
        "20 s, 25 s after the board started",
    ]

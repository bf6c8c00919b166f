"""Stories as text."""

from __future__ import annotations

from console.diagnosis.causes.outcomes_file import load_outcomes
from console.diagnosis.story import Line, Part, Place, Story
from console.report.story_text import story_text
from tests.console.diagnosis.stories import some_episode

STORY = Story(
    some_episode(),
    "camera stopped after 2,047 polls",
    (
        Part("what happened", (Line("its address was not acknowledged", tone="bad"),)),
        Part("ruled out", (Line("SDA held"), Line("SCL held")), folded=True),
    ),
)


def test_a_story_is_its_head_and_its_parts_indented() -> None:
    assert story_text([STORY]) == (
        "camera stopped after 2,047 polls\n"
        "  what happened\n"
        "    its address was not acknowledged\n"
        "  ruled out: 2\n"
    )


def test_what_has_a_moment_is_told_with_it_and_all_sentences_begin_alike() -> None:
    lines = (Line("its last reply", Place(2_047_000_000_000)), Line("why"))
    story = Story(some_episode(), "camera stopped", (Part("what happened", lines),))
    assert story_text([story], 1_000_000_000).splitlines()[2:] == [
        "  34:06.000  its last reply",
        "             why",
    ]


def test_folded_parts_are_told_in_full_when_asked_for() -> None:
    assert story_text([STORY], unfolded=True).endswith("  ruled out\n    SDA held\n    SCL held\n")


def test_sentences_are_wrapped_under_themselves_and_drawings_are_not() -> None:
    drawn = Line("|_|" * 20, drawn=True)
    story = Story(some_episode(), "x", (Part("held", (Line("a word " * 9), drawn)),))
    assert story_text([story], width=44).splitlines()[2:] == [
        "    a word a word a word a word a word a",
        "    word a word a word a word",
        "    " + "|_|" * 20,
    ]


def test_what_came_from_outside_reaches_the_terminal_harmless() -> None:
    story = Story(some_episode(), "\x1b[2Jcamera", (Part("p", (Line("a\x07b\x9b5n"),)),))
    assert not set("\x1b\x07\x9b") & set(story_text([story], colour=False))


def test_tones_are_coloured_only_when_asked_for() -> None:
    assert "\x1b[31m" in story_text([STORY], colour=True)
    assert "\x1b" not in story_text([STORY])


def test_how_to_say_what_came_of_an_experiment_is_told_as_the_file_wants_it() -> None:
    lines = (
        Line("done: Publish with QoS 1: unchanged", outcome=("qos-1", "unchanged")),
        Line("Wait longer."),
        Line('  outcome "gone"', tone="quiet", outcome=("back-off", "gone")),
    )
    text = story_text([Story(some_episode(), "x", (Part("try", lines),))])
    said = text.splitlines()[-1].partition("--outcomes: ")[2]
    (known,) = load_outcomes(said.encode(), "outcomes.toml")
    assert (known.experiment, known.outcome) == ("back-off", "gone")


def test_without_an_experiment_nothing_is_to_be_said() -> None:
    assert "--outcomes" not in story_text([STORY])

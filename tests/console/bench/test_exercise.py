"""Exercises: what is refused, with its line and how to mend it, and how steps come in turn."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench.exercise import ExerciseFile, Publish, Wait, in_turn, steps_in
from console.bench.exercise_checks import load_exercise, pattern_problem, read_exercise
from console.bench.load import load_bench
from decoders.errors import DescriptionError

BENCH = load_bench(
    """
[bench]
name = "cap line"
[[source]]
name = "controller"
kind = "prints"
port = "/dev/ttyCAP0"
[[source]]
name = "old log"
kind = "prints"
path = "old.log"
[[source]]
name = "broker"
kind = "messages"
host = "broker.capline.example"
""",
    "bench.toml",
)

PUBLISH = 'kind = "publish"\nsource = "broker"\ntopic = "capline/x"\n'
EXPECT = 'kind = "expect"\nevent = "message"\nwithin = "2 s"\n'


def made(*steps: str, head: str = '[exercise]\nname = "both ways"\n') -> ExerciseFile:
    return load_exercise(head + "".join(f"[[step]]\n{step}\n" for step in steps), "e.toml", BENCH)


def refusal(*steps: str, head: str = '[exercise]\nname = "both ways"\n') -> str:
    with pytest.raises(DescriptionError) as told:
        made(*steps, head=head)
    return str(told.value)


def test_an_exercise_is_read_with_its_defaults() -> None:
    file = made(PUBLISH, EXPECT)
    (publish, expect) = file.steps
    assert isinstance(publish, Publish)
    assert (publish.qos, publish.retain, publish.timeout_ns) == (0, False, 5_000_000_000)
    assert (file.name, file.goes_on, file.count, file.remarks) == ("both ways", False, 2, ())
    assert file.lines == {(1,): 3, (2,): 8}
    assert expect.note == ""


def test_a_file_is_read_from_the_disk(tmp_path: Path) -> None:
    path = tmp_path / "e.toml"
    path.write_text(f'[exercise]\nname = "x"\n[[step]]\n{PUBLISH}', "utf-8")
    assert read_exercise(path, BENCH).file == str(path)


def test_a_file_that_is_not_there_is_told_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match=r"no\.toml: No such file"):
        read_exercise(tmp_path / "no.toml", BENCH)


# What is wrong, the line it is told at, words of the message, words of the mend.
@pytest.mark.parametrize(
    ("step", "line", "message", "mend"),
    [
        (PUBLISH + "qso = 1", 7, "unknown key 'qso'", "Did you mean 'qos'?"),
        ('kind = "publsh"', 4, "unknown kind 'publsh'", "Did you mean 'publish'?"),
        ('kind = "expect"\nevent = "message"', 3, "has no 'within'", "Add within = ..."),
        ('kind = "wait"', 3, "has no 'for'", "Add for = ..."),
        ('kind = "wait"\nfor = "0 s"', 5, "must be more than 0", ""),
        ('kind = "wait"\nfor = "31000 h"', 5, "at most 30 days", ""),
        (PUBLISH + "timeout = 5", 7, "must be text", 'Write it in quotes: "5"'),
        (PUBLISH + 'timeout = "5 sec"', 7, "must be a number with a unit", ""),
        (PUBLISH + "qos = 3", 7, "qos", ""),
        (PUBLISH.replace("broker", "brokr"), 5, "no source named 'brokr'", "'broker'"),
        (PUBLISH.replace("broker", "controller"), 5, "gives messages", "of messages: broker"),
        (PUBLISH.replace("capline/x", "capline/+"), 6, "one topic, without + and #", ""),
        (PUBLISH.replace("capline/x", "a\\u0000"), 6, "no U+0000", ""),
        (PUBLISH + "payload = { n = nan }", 7, "what JSON cannot", ""),
        (PUBLISH + "payload = { n = 2026-11-25 }", 7, "what JSON cannot", ""),
        (PUBLISH + 'payload = "${gate}"', 7, "nothing was captured as 'gate'", "capture step"),
        (PUBLISH + 'payload = "${gate"', 7, "is no placeholder", ""),
        ('kind = "write"\nsource = "old log"\ntext = "x"', 5, "has no port", "port = ..."),
        ('kind = "write"\nsource = "controller"', 5, "either text or hex", ""),
        ('kind = "write"\nsource = "controller"\nhex = "A5 5"', 6, "pairs of digits", ""),
        (
            'kind = "write"\nsource = "controller"\ntext = "x"\nending = "crfl"',
            7,
            "ending",
            "Did you mean 'crlf'?",
        ),
        (EXPECT + 'where = "topc = 1"', 7, "no column named 'topc'", "Did you mean 'topic'?"),
        (EXPECT + 'where = "topic ="', 7, "cannot be used", "A condition is SQL"),
        (EXPECT + 'of = "print"', 7, "belongs to silence alone", ""),
        ('kind = "expect"\nevent = "silence"\nwithin = "1 s"', 5, "needs of =", ""),
        ('kind = "capture"\nname = "a"\nvalue = "text"', 3, "nothing to capture from", "expect"),
        ('kind = "repeat"\ntimes = 0\nstep = []', 5, "times", ""),
        ('kind = "repeat"\ntimes = 2\nstep = []', 3, "nothing is repeated", "[[step.step]]"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_line_and_mend(
    step: str, line: int, message: str, mend: str
) -> None:
    told = refusal(step)
    assert told.startswith(f"e.toml:{line}: ")
    assert message in told
    assert mend in told


def test_everything_wrong_is_told_at_once() -> None:
    told = refusal(PUBLISH.replace("broker", "x"), EXPECT + 'where = "y = 1"')
    assert ("e.toml:5:" in told, "e.toml:12:" in told) == (True, True)


def test_an_exercise_for_another_bench_is_refused() -> None:
    head = '[exercise]\nname = "x"\nbench = "press"\n'
    assert "for the bench 'press', not 'cap line'" in refusal(PUBLISH, head=head)


def test_a_retained_message_is_a_remark() -> None:
    (remark,) = made(PUBLISH + "retain = true").remarks
    assert remark.startswith("e.toml:7: capline/x is retained")


def test_a_name_is_known_after_it_was_captured() -> None:
    capture = 'kind = "capture"\nname = "gate"\nvalue = "fields.gate"'
    file = made(EXPECT, capture, PUBLISH + 'payload = { gate = "${gate}" }')
    assert file.count == 3


def test_a_name_of_a_mistyped_capture_gets_the_closest() -> None:
    capture = 'kind = "capture"\nname = "gate"\nvalue = "fields.gate"'
    assert "Did you mean 'gate'?" in refusal(EXPECT, capture, PUBLISH + 'payload = "${gat}"')


def test_a_counter_counts_inside_its_repeat_alone() -> None:
    inside = f'[[step.step]]\n{PUBLISH}payload = "${{n}}"'
    repeat = f'kind = "repeat"\ntimes = 3\n{inside}'
    assert made(repeat).count == 3
    assert "nothing was captured as 'n'" in refusal(repeat, PUBLISH + 'payload = "${n}"')


def test_repeats_in_repeats_count_by_names_of_their_own() -> None:
    wait = '[[step.step.step]]\nkind = "wait"\nfor = "1 s"'
    inner = '[[step.step]]\nkind = "repeat"\ntimes = 2\n'
    outer = 'kind = "repeat"\ntimes = 3\n'
    assert "'n' has a value here already" in refusal(f"{outer}{inner}{wait}")
    assert made(f'{outer}{inner}counter = "m"\n{wait}').count == 6


def test_one_name_holds_one_kind_of_value() -> None:
    first = 'kind = "capture"\nname = "a"\nvalue = "payload"'
    assert "captured as text elsewhere" in refusal(EXPECT, first, f'{first}\nas = "number"')


def test_more_than_a_million_steps_are_refused_without_counting_them_out() -> None:
    wait = '[[step.step]]\nkind = "wait"\nfor = "1 s"\n'
    repeat = f'kind = "repeat"\ntimes = 1000000\n{wait}{wait}'
    assert "2,000,000 steps, more than 1,000,000" in refusal(repeat)


def test_repeats_too_deep_in_each_other_are_refused() -> None:
    text = '[exercise]\nname = "x"\n'
    for depth in range(1, 30):
        text += f"[[{'.'.join(['step'] * depth)}]]\nkind = 'repeat'\ntimes = 2\n"
        text += f"counter = 'c{depth}'\n"
    with pytest.raises(DescriptionError, match="more than 8 deep"):
        load_exercise(text, "e.toml", BENCH)


@pytest.mark.parametrize(
    ("pattern", "problem"),
    [("(a", "unclosed group"), ("a", "it has no group in parentheses"), ("(a)(b)", "")],
)
def test_a_pattern_has_a_group(pattern: str, problem: str) -> None:
    assert pattern_problem(pattern) == problem


def test_steps_come_in_turn_with_their_counters() -> None:
    wait = '[[step.step]]\nkind = "wait"\nfor = "1 s"\n'
    file = made(PUBLISH, f'kind = "repeat"\ntimes = 2\n{wait}', PUBLISH)
    turns = [(c.number, dict(c.counters)) for c in in_turn(file.steps)]
    assert turns == [((1,), {}), ((2, 1), {"n": 1}), ((2, 1), {"n": 2}), ((3,), {})]


@given(data=st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_words(data: bytes) -> None:
    try:
        load_exercise(data, "e.toml", BENCH)
    except DescriptionError as error:
        told = str(error)
        assert "e.toml" in told


def test_steps_are_counted_as_they_come() -> None:
    steps = made(f'kind = "repeat"\ntimes = 7\n[[step.step]]\n{PUBLISH}').steps
    assert steps_in(steps) == len(list(in_turn(steps))) == 7


def test_a_wait_says_how_long() -> None:
    (wait,) = made('kind = "wait"\nfor = "250ms"').steps
    assert isinstance(wait, Wait)
    assert wait.for_ns == 250_000_000

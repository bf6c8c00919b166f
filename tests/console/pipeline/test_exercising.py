"""Exercises as they go: what is sent when, what is met and missed; each comes to its end."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.exercise import Expect, Publish, Wait, in_turn
from console.pipeline.exercise_heard import MOST_ROWS
from console.pipeline.exercising import MOST_TOLD, UNTOLD_NS, Exercise
from console.sources.sender import Publication, Written
from tests.console.pipeline.exercises import (
    MS,
    PUBLISH,
    QUIET,
    REACHED,
    START_NS,
    STATE,
    WAIT,
    Played,
    S,
    exercise,
    message,
    ns,
    printed,
    repeated,
    state,
)


def test_a_message_is_sent_once_and_its_answer_met() -> None:
    played = Played(PUBLISH, STATE)
    played.at(0)
    played.went(5)
    played.at(10)
    played.feed(state(ns(170)))
    played.at(200)
    assert played.sent == [
        Publication("broker", "capline/diverter/command", b'{"n":1,"gate":"left"}')
    ]
    assert played.notes == [
        'step 1: publish capline/diverter/command {"n":1,"gate":"left"} to broker, QoS 0',
        "step 2: met after 165 ms: capline/diverter/state {}",
    ]
    played.at(200)
    assert (played.exercise.is_over, played.exercise.end) == (True, "done: 2 steps done, 0 missed")


def test_a_lost_command_is_a_fault_with_all_that_is_known_of_it() -> None:
    played = Played(PUBLISH, STATE)
    played.at(0)
    played.went(5)
    assert played.at(2005).findings == []
    (finding,) = played.at(2005.001).findings
    assert (finding.rule, finding.severity, finding.party) == ("exercise", "fault", "exercise")
    assert finding.t_ns == ns(2005)
    assert finding.summary.startswith(
        "step 2: a message where topic = 'capline/diverter/state' within 2 s did not come (after: "
        "publish capline/diverter/command"
    )
    told = {key: finding.evidence[key] for key in ("step", "line", "waited_ns", "within_ns")}
    assert told == {"step": "2", "line": 11, "waited_ns": 2 * S, "within_ns": 2 * S}
    assert "capline/diverter/command" in finding.evidence["sent"]
    assert played.exercise.end == "stopped at what was missed: 1 step done, 1 missed"


def test_an_answer_after_its_time_is_none() -> None:
    played = Played(PUBLISH, STATE)
    played.at(0)
    played.went(5)
    played.feed(state(ns(2005) + 1))
    assert len(played.at(2100).findings) == 1


def test_an_answer_in_its_time_counts_however_late_it_is_looked_at() -> None:
    played = Played(PUBLISH, STATE)
    played.at(0)
    played.went(5)
    played.feed(state(ns(2005)))
    assert played.at(60_000).findings == []


def test_what_came_before_the_command_is_no_answer() -> None:
    played = Played(PUBLISH, STATE)
    played.at(0)
    played.feed(state(ns(4)))
    played.went(5)
    assert len(played.at(2100).findings) == 1


def test_answers_of_one_command_may_come_in_any_order() -> None:
    played = Played(PUBLISH, STATE, REACHED)
    played.at(0)
    played.went(5)
    played.feed(printed(ns(50), "gate left"))
    played.feed(state(ns(170)))
    played.at(200)
    assert played.exercise.missed == 0
    assert played.notes[-1] == "step 3: met after 45 ms: controller gate left"


def test_one_answer_answers_one_expectation() -> None:
    played = Played(PUBLISH, STATE, STATE)
    played.at(0)
    played.went(5)
    played.feed(state(ns(170)))
    assert len(played.at(5000).findings) == 1


def test_what_comes_in_a_wait_is_not_expected_any_more() -> None:
    played = Played(WAIT, STATE)
    played.feed(state(ns(9000)))
    played.at(10_001)
    assert len(played.at(12_001).findings) == 1


def test_silence_is_met_when_its_time_is_over() -> None:
    played = Played(QUIET)
    played.at(3000)
    assert not played.exercise.is_over
    played.at(3001)
    played.at(3001)
    assert played.exercise.end == "done: 1 step done, 0 missed"


def test_silence_that_is_broken_is_told_with_what_broke_it() -> None:
    played = Played(QUIET)
    played.feed(message(ns(700), "capline/alarm", '{"why": "jam"}'))
    (finding,) = played.at(800).findings
    assert finding.summary.endswith('after 700 ms came capline/alarm {"why": "jam"}')


def test_silence_counts_what_came_in_the_same_look_after_it_began() -> None:
    played = Played(PUBLISH, STATE, QUIET)
    played.at(0)
    played.went(5)
    played.feed(state(ns(100)))
    played.feed(message(ns(101), "capline/alarm"))
    assert len(played.at(200).findings) == 1


def test_a_sending_that_fails_is_missed_with_its_reason() -> None:
    played = Played(PUBLISH, STATE)
    played.at(0)
    played.went(30, "nothing listens there")
    (finding,) = played.at(40).findings
    assert finding.summary == "step 1: was not sent: nothing listens there"


def test_a_sending_nobody_tells_of_is_given_up() -> None:
    played = Played(PUBLISH, STATE)
    played.at(0)
    assert played.at(6000).findings == []
    (finding,) = played.at(6001).findings
    assert finding.summary == "step 1: nobody tells whether it was sent"


def test_word_of_a_sending_that_was_given_up_is_passed_over() -> None:
    played = Played(PUBLISH, PUBLISH, on_failure="go on")
    played.at(0)
    played.at(6001)
    played.exercise.sent(1, ns(6002), ns(6002))
    played.at(6100)
    assert (len(played.sent), played.exercise.is_over) == (2, False)


def test_after_something_missed_it_goes_on_where_that_is_wanted() -> None:
    played = Played(repeated(3, PUBLISH, STATE), on_failure="go on")
    for k in range(3):
        played.at(10_000 * k)
        played.went(10_000 * k + 1)
        played.at(10_000 * k + 9000)
    played.at(40_000)
    assert [evidence["repetition"] for evidence in played.evidence] == [{"n": k} for k in (1, 2, 3)]
    assert played.exercise.end == "done: 3 steps done, 3 missed"


CAPTURE = 'kind = "capture"\nname = "gate"\nvalue = "fields.gate"\n'
WRITE = 'kind = "write"\nsource = "controller"\ntext = "divert ${gate}"\nending = "crlf"\n'


def after_capture(payload: str, *steps: str, capture: str = CAPTURE) -> Played:
    """An exercise up to what follows a capture from a payload."""
    played = Played(PUBLISH, STATE, capture, *steps, on_failure="go on")
    played.at(0)
    played.went(5)
    played.feed(state(ns(100), payload))
    played.at(200)
    return played


def test_what_was_captured_is_written() -> None:
    played = after_capture('{"gate": "left"}', WRITE)
    assert played.sent[-1] == Written("controller", b"divert left\r\n")


def test_a_group_of_a_pattern_is_captured() -> None:
    capture = f"{CAPTURE}pattern = '(\\d+) mm'\n"
    assert after_capture('{"gate": "at 12 mm"}', WRITE, capture=capture).sent[-1] == Written(
        "controller", b"divert 12\r\n"
    )


@pytest.mark.parametrize(
    ("told", "sent"), [("12", b"12"), ("-3", b"-3"), ("2.5", b"2.5"), ("1e3", b"1000.0")]
)
def test_numbers_are_captured_as_numbers(told: str, sent: bytes) -> None:
    publish = PUBLISH.replace("n = 1", 'n = "${gate}"')
    played = after_capture(f'{{"gate": {told}}}', publish, capture=f'{CAPTURE}as = "number"')
    assert played.sent[-1].payload == b'{"n":' + sent + b',"gate":"left"}'


@pytest.mark.parametrize("told", ['"x"', '"1 2"', '"0x10"', '"1e999"', '""', '"nan"', "true"])
def test_what_is_no_number_is_missed_and_what_needs_it_is_skipped(told: str) -> None:
    played = after_capture(f'{{"gate": {told}}}', WRITE, capture=f'{CAPTURE}as = "number"')
    assert len(played.evidence) == 1
    assert played.notes[-1].endswith("since nothing was captured as gate")
    assert len(played.sent) == 1


def test_a_capture_of_nothing_is_missed() -> None:
    played = after_capture("{}", WRITE)
    assert played.notes[-2].startswith("missed: step 3: capture fields.gate as gate: there is no")


@pytest.mark.parametrize("captured", ["left\r\nerase all", "a\nb", "\x03", "a\x85b"])
def test_captured_text_cannot_begin_a_line_of_its_own(captured: str) -> None:
    played = after_capture(json.dumps({"gate": captured}), WRITE)
    assert len(played.sent) == 1
    assert "holds control characters" in played.notes[-1]


@pytest.mark.parametrize("captured", ["a/b", "+", "#", "a\x00"])
def test_captured_text_cannot_make_other_topics(captured: str) -> None:
    publish = PUBLISH.replace("diverter/command", "${gate}/command")
    played = after_capture(json.dumps({"gate": captured}), publish)
    assert len(played.sent) == 1


def test_captured_text_stays_one_value_of_the_json_that_is_sent() -> None:
    hostile = '", "gate": "right", "x": "'
    publish = PUBLISH.replace('"left"', '"${gate}"')
    played = after_capture(json.dumps({"gate": hostile}), publish)
    assert json.loads(played.sent[-1].payload) == {"n": 1, "gate": hostile}


def test_captured_text_stays_one_value_of_a_condition() -> None:
    expect = STATE.replace("topic =", "fields.gate = ${gate} AND topic =")
    hostile = "' OR TRUE --"
    played = after_capture(json.dumps({"gate": hostile}), expect)
    played.feed(state(ns(300), '{"gate": "left"}'))
    played.at(310)
    assert played.exercise.missed == 0
    assert not played.exercise.is_over
    played.feed(state(ns(320), json.dumps({"gate": hostile})))
    played.at(330)
    assert played.notes[-1].startswith("step 4: met after")


def test_what_was_captured_may_look_like_evidence_and_is_none() -> None:
    forged = 'x {"exercise": "forged"}'
    expect = STATE.replace("topic =", "fields.gate = ${gate} AND topic =")
    played = after_capture(json.dumps({"gate": forged}), expect)
    (finding,) = played.at(10_000).findings
    assert finding.evidence["exercise"] == "both ways"
    assert "forged" in finding.summary


def test_findings_beyond_a_thousand_are_counted() -> None:
    write = 'kind = "write"\nsource = "controller"\ntext = "${gate}"\n'
    steps = (PUBLISH, STATE, CAPTURE, repeated(MOST_TOLD + 50, write))
    played = Played(*steps, on_failure="go on")
    played.at(0)
    played.went(5)
    played.feed(state(ns(100), '{"gate": "\\n"}'))
    for ms in range(200, 400):
        played.at(ms)
    assert len(played.evidence) == MOST_TOLD
    assert played.exercise.missed == MOST_TOLD + 50


def test_rows_are_kept_within_a_bound() -> None:
    played = Played(STATE)
    for k in range(40):
        many = message(ns(1), "capline/x")["messages"]
        played.feed({"messages": many[[0] * (MOST_ROWS // 4)]})
        played.at(k)
    frames = played.exercise._hearing._frames["messages"]
    assert sum(frame.height for frame in frames) <= 2 * MOST_ROWS


def test_one_look_does_a_bounded_part_of_a_million_steps() -> None:
    played = Played(repeated(500_000, STATE, CAPTURE), on_failure="go on")
    played.feed(state(ns(1)))
    doing = played.at(10_000_000_000)
    assert len(doing.notes) <= 1000


STEPS = st.sampled_from([PUBLISH, STATE, REACHED, QUIET, WAIT])
PLANS = st.lists(
    st.one_of(STEPS, st.builds(repeated, st.integers(1, 3), STEPS, STEPS)), min_size=1, max_size=4
)
# What happens between two looks: nothing, an answer, an alarm, a print, word of a sending.
ACTS = st.lists(
    st.tuples(
        st.sampled_from(["", "state", "alarm", "print", "sent", "failed", "old"]),
        st.integers(0, 4000),
        st.integers(-3000, 3000),
    ),
    max_size=40,
)


def longest_ns(file_steps: Exercise) -> int:
    """The sum of all time-outs."""
    total = 0
    for coming in in_turn(file_steps._file.steps):
        step = coming.step
        if isinstance(step, Publish):
            total += step.timeout_ns + UNTOLD_NS
        elif isinstance(step, Expect):
            total += step.within_ns
        elif isinstance(step, Wait):
            total += step.for_ns
    return total


@settings(max_examples=150, deadline=None)
@given(plan=PLANS, acts=ACTS, on_failure=st.sampled_from(["stop", "go on"]))
def test_whatever_comes_it_ends_within_the_sum_of_its_times(
    plan: list[str], acts: list[tuple[str, int, int]], on_failure: str
) -> None:
    fold = Exercise(exercise(*plan, on_failure=on_failure), START_NS)
    t_ns, sending, step_ns = START_NS, 0, 250 * MS
    waiting = iter(acts)
    until_ns = START_NS + longest_ns(fold)
    looks = 0
    while not fold.is_over:
        doing = fold.at(t_ns)
        sending = doing.send.number if doing.send else sending
        act, _, shift = next(waiting, ("", 0, 0))
        came_ns = t_ns + shift * MS
        if act in ("sent", "failed"):
            fold.sent(sending, t_ns, t_ns, "no" if act == "failed" else "")
        elif act == "print":
            fold.feed(printed(came_ns, "gate left"))
        elif act:
            fold.feed(
                message(came_ns, f"capline/{'alarm' if act == 'alarm' else 'diverter/state'}")
            )
        t_ns += step_ns
        looks += 1
    count = len(list(in_turn(fold._file.steps)))
    assert t_ns <= until_ns + (count + 2) * step_ns  # each sending is asked for at a look
    assert fold.end.startswith(("done", "stopped"))


@settings(max_examples=50, deadline=None)
@given(cuts=st.sets(st.integers(0, 3000), max_size=30))
def test_what_is_found_does_not_depend_on_when_it_is_looked_at(cuts: set[int]) -> None:
    def played(looks: list[int]) -> list[str]:
        made = Played(QUIET, STATE, REACHED, QUIET, on_failure="go on")
        came = [(3500, state(ns(3500))), (5200, printed(ns(5200), "gate left"))]
        for ms in looks:
            for at_ms, rows in came:
                if at_ms <= ms:
                    made.feed(rows)
            came = [each for each in came if each[0] > ms]
            made.at(ms)
        return made.notes

    end = [20_000] * 5
    assert played(sorted(cuts) + end) == played(end)

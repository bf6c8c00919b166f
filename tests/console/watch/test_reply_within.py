"""Requests that nothing answered, found because time passes."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from console.watch.findings import Finding
from console.watch.names import Names
from console.watch.reply_within import ReplyWithin
from console.watch.rule import Batch
from tests.console.watch.runs import MS, S, table, watched


def lost(
    commands: Sequence[float],
    states: Sequence[float],
    until_s: float = 100,
    *,
    slack_ns: int = 0,
    observed: dict[str, int] | None = None,
) -> list[Finding]:
    rows = [{"t_ns": round(s * S), "source": "broker", "topic": "command"} for s in commands]
    rows += [{"t_ns": round(s * S), "source": "log", "topic": "state"} for s in states]
    rule = ReplyWithin(
        ("messages", "topic = 'command'"),
        ("messages", "topic = 'state'"),
        2 * S,
        Names(),
        slack_ns=slack_ns,
        name="gate",
    )
    tables = {"messages": table("messages", rows)}
    return watched([rule], tables, round(until_s * S), observed_until=observed)


def times(findings: list[Finding]) -> list[float]:
    return [t / S for finding in findings for t in finding.evidence["times_ns"]]


def test_commands_that_are_answered_in_time_are_fine() -> None:
    assert lost([1, 5, 9], [1.1, 7, 11]) == []


def test_a_lost_command_is_found_though_nothing_comes_after_it() -> None:
    (finding,) = lost([1, 5], [1.5], 7)
    assert (finding.t_ns, finding.severity) == (5 * S, "fault")
    assert finding.summary == "gate: 1 of 2 requests not answered within 2 s, at 00:04.000"


def test_a_command_whose_time_is_not_over_is_not_judged() -> None:
    assert lost([1, 5], [1.5], 6.9) == []


def test_one_reply_answers_one_request() -> None:
    assert times(lost([1, 1.5, 10], [2, 10.5])) == [1.5]


def test_a_reply_that_comes_too_late_answers_nothing() -> None:
    assert times(lost([1], [3.5])) == [1]


def test_a_reply_may_seem_early_by_the_slack() -> None:
    assert times(lost([1, 5], [0.95, 5.1])) == [1]
    assert lost([1, 5], [0.95, 5.1], slack_ns=100 * MS) == []


def test_after_the_replies_source_ended_nothing_is_judged() -> None:
    assert lost([1, 5, 30], [1.5, 5.5], observed={"log": 10 * S}) == []


def test_a_key_tells_which_command_was_lost() -> None:
    def message(t: float, topic: str, n: int) -> dict[str, object]:
        return {"t_ns": round(t * S), "source": "b", "topic": topic, "fields": f'{{"n": {n}}}'}

    rows = [message(1, "command", 7), message(1.2, "command", 8), message(1.4, "state", 8)]
    rule = ReplyWithin(
        ("messages", "topic = 'command'"),
        ("messages", "topic = 'state'"),
        2 * S,
        Names(),
        keys=("fields.n", "fields.n"),
    )
    (finding,) = watched([rule], {"messages": table("messages", rows)}, 60 * S)
    assert (finding.evidence["times_ns"], finding.evidence["keys"]) == ([1 * S], ["7"])


def paired_by_hand(commands: list[int], states: list[int], within: int) -> list[int]:
    """Each request in turn takes the earliest reply left that is in time."""
    left, unanswered = sorted(states), []
    for command in sorted(commands):
        fits = [s for s in left if command <= s <= command + within]
        if fits:
            left.remove(fits[0])
        else:
            unanswered.append(command)
    return unanswered


@settings(max_examples=80, deadline=None)
@given(
    commands=st.lists(st.integers(0, 40), max_size=15),
    states=st.lists(st.integers(0, 45), max_size=15),
)
def test_pairs_are_those_a_patient_reader_would_make(
    commands: list[int], states: list[int]
) -> None:
    expected = paired_by_hand(commands, states, 2)
    assert times(lost(commands, states)) == expected


def test_across_clocks_that_are_not_aligned_nothing_is_said_to_be_lost() -> None:
    requests = table("prints", [{"t_ns": k * S, "source": "log"} for k in range(3)])
    replies = table("messages", [{"t_ns": (k - 9) * S, "source": "broker"} for k in range(3)])
    rule = ReplyWithin(("prints", ""), ("messages", ""), S, Names(), name="gate")
    rule.begin(0)
    tables, ends = {"prints": requests, "messages": replies}, {"log": 9 * S, "broker": -7 * S}
    rule.feed(Batch(tables, 90 * S, ends, off_axis=["broker"]))
    found = rule.finish(90 * S)
    assert [(f.severity, f.summary) for f in found] == [
        (
            "note",
            "gate: not observable whether 3 of 3 requests were answered, first at 00:00.000: "
            "broker is on no common axis with them",
        )
    ]

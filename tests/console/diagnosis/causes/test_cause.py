"""What signs add up to."""

from __future__ import annotations

import pytest

from console.diagnosis.causes.cause import (
    FAIR,
    STRONG,
    WEAK,
    Answer,
    hint,
    judged,
    needed,
    telling,
    unless,
)


def test_needed_signs_that_are_true_make_a_cause_hold() -> None:
    answer = judged(needed(True, "a", "not a"), needed(True, "b", "not b", strength=STRONG))
    assert (answer.verdict, answer.saying("for")) == ("holds", ["a", "b"])
    assert answer.weight == pytest.approx(FAIR + STRONG)


def test_one_needed_sign_that_is_false_refutes_whatever_else_is_unknown() -> None:
    answer = judged(needed(None, "a", "not a"), needed(False, "b", "not b"))
    assert (answer.verdict, answer.saying("against")) == ("refuted", ["not b"])


def test_needed_sign_that_cannot_be_seen_is_not_observable_and_weighs_nothing() -> None:
    answer = judged(needed(None, "a", "not a", "a: no capture"), telling(True, "b"))
    assert (answer.verdict, answer.weight) == ("not-observable", 0.0)
    assert answer.saying("unknown") == ["a: no capture"]


@pytest.mark.parametrize(
    ("state", "weight"), [(True, FAIR + WEAK), (False, FAIR - WEAK / 2), (None, FAIR)]
)
def test_telling_sign_speaks_half_as_loud_against(state: bool | None, weight: float) -> None:
    answer = judged(needed(True, "a", "not a"), telling(state, "b", "not b"))
    assert answer.verdict == "holds"
    assert answer.weight == pytest.approx(weight)


@pytest.mark.parametrize(
    ("state", "weight", "said"),
    [(True, FAIR + WEAK, ["for"]), (False, FAIR, []), (None, FAIR, ["unknown"])],
)
def test_hint_that_is_not_there_says_nothing(
    state: bool | None, weight: float, said: list[str]
) -> None:
    answer = judged(needed(True, "a", "not a"), hint(state, "b"))
    assert answer.weight == pytest.approx(weight)
    assert [each.says for each in answer.evidence[1:]] == said


@pytest.mark.parametrize(
    ("state", "verdict"), [(True, "refuted"), (False, "holds"), (None, "holds")]
)
def test_what_rules_out_does_so_only_when_it_is_seen(state: bool | None, verdict: str) -> None:
    answer: Answer = judged(needed(True, "a", "not a"), unless(state, "c"))
    assert answer.verdict == verdict

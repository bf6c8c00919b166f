"""What was acknowledged is known again."""

from __future__ import annotations

from dataclasses import replace

from console.app.acknowledged import key_of, note_of
from console.app.state.kept import Kept
from console.watch.findings import Finding

FOUND = Finding(5, "limits", "warning", "press", "wire", "press above 3", {"count": 1})


def test_a_finding_is_known_by_rule_party_and_words_whenever_it_was() -> None:
    kept = Kept(acknowledged={key_of(FOUND): "known"})
    assert note_of(kept, replace(FOUND, t_ns=9, evidence={})) == "known"


def test_an_empty_note_acknowledges_too() -> None:
    assert note_of(Kept(acknowledged={key_of(FOUND): ""}), FOUND) == ""


def test_other_words_are_another_finding() -> None:
    kept = Kept(acknowledged={key_of(FOUND): "known"})
    assert note_of(kept, replace(FOUND, summary="press above 4")) is None


def test_names_that_run_into_each_other_stay_apart() -> None:
    one, other = replace(FOUND, rule="a", party="b, c"), replace(FOUND, rule="a, b", party="c")
    assert key_of(one) != key_of(other)

"""What an exercise missed is found again in the events of its steps, and nothing else is."""

from __future__ import annotations

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from console.watch.exercised import Exercised, missed_finding, missed_words
from console.watch.rule import Batch

JSON = st.dictionaries(st.text(max_size=8), st.text(max_size=20) | st.integers(), max_size=4)


@given(summary=st.text(max_size=60), name=st.text(max_size=20), evidence=JSON)
def test_words_and_evidence_come_back_as_they_were(
    summary: str, name: str, evidence: dict[str, str | int]
) -> None:
    finding = missed_finding(7, missed_words(summary, name, evidence))
    assert finding is not None
    told = {"exercise": name, **evidence}
    assert (finding.t_ns, finding.summary, finding.evidence) == (7, summary, told)


@given(
    detail=st.text(max_size=60) | st.text(max_size=20).map(lambda t: f'missed: {t} {{"exercise": ')
)
def test_any_other_text_is_no_finding(detail: str) -> None:
    assert missed_finding(0, detail) is None


def test_only_notes_of_the_exercise_are_read() -> None:
    detail = missed_words("step 1: x", "both ways", {"step": "1"})
    rows = [
        {"t_ns": 1, "source": "exercise", "what": "note", "detail": detail},
        {"t_ns": 2, "source": "controller", "what": "note", "detail": detail},
        {"t_ns": 3, "source": "exercise", "what": "closed", "detail": detail},
        {"t_ns": 4, "source": "exercise", "what": "note", "detail": "step 1: wait"},
    ]
    found = Exercised().feed(Batch({"happenings": pl.DataFrame(rows)}, 10))
    assert [finding.t_ns for finding in found] == [1]

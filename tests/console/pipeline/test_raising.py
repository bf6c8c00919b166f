from __future__ import annotations

import json
from typing import Any

from console.pipeline.live import Step
from console.pipeline.raising import News, Told
from console.watch.findings import Finding


def silence(t_ns: int = 5, *, lasted_ns: int = 10, party: str = "camera") -> Finding:
    evidence: dict[str, Any] = {"silent_ns": lasted_ns}
    words = f"{party} silent for {lasted_ns} ns"
    return Finding(t_ns, "cadence", "fault", party, "controller", words, evidence)


def test_a_finding_is_news_when_it_is_raised_and_when_it_is_over() -> None:
    news, longer = News(), silence(lasted_ns=90)
    first = news.of(Step(raised=[silence()], standing=[silence()]), 100)
    still = news.of(Step(standing=[silence(lasted_ns=50)]), 200)
    last = news.of(Step(complete=[longer]), 300)
    after = news.of(Step(), 400)
    assert first == [Told(silence(), 100)]
    assert still == []
    assert last == [Told(longer, 300, is_over=True)]
    assert after == []


def test_a_finding_that_is_complete_at_once_is_told_once() -> None:
    news = News()
    assert news.of(Step(complete=[silence()], raised=[silence()]), 7) == [Told(silence(), 7)]


def test_findings_of_other_parties_are_news_of_their_own() -> None:
    news, other = News(), silence(party="line board")
    news.of(Step(raised=[silence(), other], standing=[silence(), other]), 1)
    assert news.of(Step(complete=[other], standing=[silence()]), 2) == [Told(other, 2, True)]


def test_a_finding_of_which_nothing_is_left_is_over_as_it_was_last() -> None:
    news = News()
    news.of(Step(raised=[silence()], standing=[silence()]), 1)
    news.of(Step(standing=[silence(lasted_ns=50)]), 2)
    assert news.of(Step(), 3) == [Told(silence(lasted_ns=50), 3, is_over=True)]


def test_nothing_is_kept_of_what_stands_no_more() -> None:
    news = News()
    for k in range(1000):
        news.of(Step(raised=[silence(k)], standing=[silence(k)]), k)
    assert len(news._standing) == 1


def test_a_run_keeps_evidence_as_json() -> None:
    raised = Told(silence(), 100).stored
    assert (raised.raised_ns, raised.t_ns, raised.party) == (100, 5, "camera")
    assert json.loads(raised.evidence) == {"silent_ns": 10}

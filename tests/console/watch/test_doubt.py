"""Findings that rest on doubtful spans say so, and absence is not claimed where nobody looked."""

from __future__ import annotations

import polars as pl
import pytest

from console.pipeline.trusted import NOT_OBSERVABLE, exchanges_as_observed
from console.report.trust_text import trust_lines
from console.trust.sheet import TrustRow, trust_frame
from console.trust.unobserved import Unobserved
from console.watch.cadence import Cadence
from console.watch.doubt import DOUBT, doubted
from console.watch.findings import Finding
from console.watch.names import Names
from console.watch.reply_within import ReplyWithin
from console.watch.rule import Batch
from tests.console.watch.runs import S, table

NAMES = Names({}, {}, {})


def finding(t_ns: int, **more: object) -> Finding:
    return Finding(t_ns, "limits", "warning", "cam", "wire", "too high", more)


ROWS = [
    TrustRow("wire", 10, 20, "undecodable", "doubtful", ""),
    TrustRow("wire", 30, 40, "not-observed", "gap", ""),
    TrustRow("wire", 0, 99, "sampling", "note", ""),
    TrustRow("log", 0, 99, "damaged", "doubtful", ""),
]


@pytest.mark.parametrize(
    ("found", "kinds"),
    [
        (finding(9), None),
        (finding(10), ["undecodable"]),
        (finding(30), None),  # what stands at the edge of a gap was seen
        (finding(35), ["not-observed"]),
        (finding(5, first_ns=5, last_ns=50), ["undecodable", "not-observed"]),
        (finding(5, first_ns=5, last_ns=50, count=2, times_ns=[5, 50]), None),
        (finding(50, last_good_ns=15, first_bad_ns=50), ["undecodable", "not-observed"]),
    ],
)
def test_a_finding_says_what_doubt_touches_it(found: Finding, kinds: list[str] | None) -> None:
    assert doubted([found], ROWS)[0].evidence.get(DOUBT) == kinds


def test_a_finding_of_any_source_is_touched_by_each() -> None:
    found = Finding(12, "limits", "note", "", "", "", {})
    assert doubted([found], ROWS)[0].evidence[DOUBT] == ["undecodable", "damaged"]


@pytest.mark.parametrize(
    ("rule", "source", "kinds"),
    [
        ("limits", "wire", None),  # its own times are enough for it
        ("reply-within", "wire", ["not-aligned"]),
        ("limits", "", ["not-aligned"]),
    ],
)
@pytest.mark.parametrize("kind", ["not-aligned", "ambiguous"])
def test_a_place_on_the_axis_matters_between_sources_alone(
    rule: str, source: str, kinds: list[str] | None, kind: str
) -> None:
    row = TrustRow("wire", None, None, kind, "doubtful", "")
    found = Finding(50, rule, "warning", "cam", source, "too high", {})
    expected = kinds and [kind]
    assert doubted([found], [row])[0].evidence.get(DOUBT) == expected


def test_requests_and_replies_of_one_source_need_no_place_on_the_axis() -> None:
    row = TrustRow("lan", None, None, "ambiguous", "doubtful", "")
    evidence = {"reply_source": "lan"}
    found = Finding(50, "reply-within", "fault", "lan", "lan", "not answered", evidence)
    assert DOUBT not in doubted([found], [row])[0].evidence


def test_a_skipped_number_is_no_doubt_about_the_rule_that_found_it() -> None:
    found = Finding(15, "sequence", "warning", "", "wire", "", {})
    rows = [TrustRow("wire", 10, 20, "lost", "doubtful", "")]
    assert DOUBT not in doubted([found], rows)[0].evidence


def messages(asked: list[int], answered: list[int]) -> Batch:
    rows = [{"t_ns": t * S, "source": "broker", "topic": "ask"} for t in asked]
    rows += [{"t_ns": t * S, "source": "broker", "topic": "answer"} for t in answered]
    return Batch({"messages": table("messages", rows)}, 100 * S)


def unanswered(batch: Batch, gaps: list[tuple[int, int]]) -> list[Finding]:
    rule = ReplyWithin(
        ("messages", "topic = 'ask'"), ("messages", "topic = 'answer'"), 2 * S, NAMES
    )
    rule.begin(0)
    spans = Unobserved.of([(a * S, b * S) for a, b in gaps])
    rule.feed(Batch(batch.tables, batch.until_ns, {}, {"broker": spans}))
    return rule.finish(batch.until_ns)


def test_a_reply_that_could_not_be_seen_is_not_observable() -> None:
    found = unanswered(messages([10, 20, 30], [11, 31]), [(19, 25)])
    assert [(f.severity, f.t_ns, f.evidence["count"]) for f in found] == [("note", 20 * S, 1)]
    assert "not observable whether 1 of 3 requests were answered" in found[0].summary


def test_a_reply_that_is_missing_elsewhere_is_still_found() -> None:
    found = unanswered(messages([10, 20, 30], [11]), [(19, 25)])
    assert [(f.severity, f.evidence["times_ns"]) for f in found] == [("fault", [30 * S])]
    assert found[0].evidence["not_observable"] == 1


def silences(gaps: list[tuple[int, int]]) -> list[int]:
    rule = Cadence("messages", NAMES, silence_ns=5 * S)
    rule.begin(0)
    spans = Unobserved.of([(a * S, b * S) for a, b in gaps])
    batch = messages([1, 2, 12, 13, 30], [])
    found = rule.feed(Batch(batch.tables, 31 * S, {}, {"broker": spans}))
    return [f.t_ns // S for f in found + rule.finish(31 * S)]


def test_a_silence_in_a_gap_is_not_claimed() -> None:
    assert silences([]) == [2, 13]
    assert silences([(2, 12)]) == [13]


def test_an_exchange_in_a_gap_is_not_observable() -> None:
    rows = [
        {"request_ns": t, "device": "cam", "request": "ask", "outcome": outcome}
        for t, outcome in ((10, "answered"), (20, "none"), (30, "none"), (40, "answered"))
    ]
    told = exchanges_as_observed(table("exchanges", rows), Unobserved.of([(32, 38)]))
    assert told["outcome"].to_list() == ["answered", "none", NOT_OBSERVABLE, "answered"]


def test_the_report_has_a_line_for_each_kind_of_doubt_gravest_first() -> None:
    rows = [
        TrustRow("log", S, 2 * S, "damaged", "doubtful", "3 lines"),
        TrustRow("log", 5 * S, 6 * S, "damaged", "doubtful", "1 line"),
        TrustRow("wire", 3 * S, None, "not-observed", "gap", "not observed\x1b[2J"),
        TrustRow("wire", 0, 9 * S, "sampling", "note", "fine"),
    ]
    lines = list(trust_lines(trust_frame(rows), S))
    assert lines[0] == "what they cannot prove:"
    assert lines[1].startswith("  wire  00:02.000 to the end  not-observed: not observed")
    assert lines[2] == "  log   00:00.000 to 00:01.000  damaged: 3 lines, and 1 more such span"
    assert len(lines) == 3
    assert "\x1b" not in lines[1]


def test_a_sheet_of_notes_is_not_printed() -> None:
    rows = [TrustRow("wire", 0, 9, "sampling", "note", "fine")]
    assert list(trust_lines(trust_frame(rows), 0)) == []
    assert pl.DataFrame(trust_frame(rows))["severity"].to_list() == ["note"]

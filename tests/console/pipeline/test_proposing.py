"""Rules learned from a healthy span: they hold there, say what they rest on, and nothing else."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import msgspec
import pytest

from console.bench.load import load_rules
from console.bench.model import Bench
from console.bench.proposed import Proposed, proposed_text
from console.bench.rules import Cadence, Limits, ReplyWithin
from console.pipeline.evidence import Evidence
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.proposing import Healthy, head_of, healthy_until_ns, proposals
from console.sources.records import Arrived, Chunk, Happened, Record
from console.watch.watching import watched
from tests.console.pipeline.recorded import MS, START_NS, S, healthy, recorded


def learned(folder: Path, records: Iterable[Record], until_ns: int) -> tuple[Bench, Evidence]:
    run = recorded(folder / "soak", sorted(records, key=lambda r: r.t_ns), until_ns)
    inputs = settled([str(run)], Overrides())
    return inputs.bench, gathered(inputs)


def whole(evidence: Evidence) -> Healthy:
    return Healthy.of(evidence, evidence.start_ns, evidence.end_ns)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, Evidence]:
    return learned(tmp_path_factory.mktemp("good"), healthy(600), START_NS + 601 * S)


def test_rules_learned_from_a_span_find_nothing_in_it(good: tuple[Bench, Evidence]) -> None:
    bench, evidence = good
    text = proposed_text([], proposals(bench, whole(evidence)))
    rules = load_rules(text, "rules.toml", bench)
    assert {type(rule) for rule in rules} == {Cadence, Limits, ReplyWithin}
    found = watched(
        msgspec.structs.replace(bench, rules=rules),
        whole(evidence).tables,
        evidence.start_ns,
        evidence.end_ns,
        unobserved=evidence.observation.unobserved,
        defaults=False,
    )
    assert found == []


def test_silence_is_the_quantile_and_its_margin(good: tuple[Bench, Evidence]) -> None:
    bench, evidence = good
    rule = next(p for p in proposals(bench, whole(evidence)) if "cap/level" in p.why[0])
    # A level comes every second, the last 1.86 s before the end; 99.9 % lie under 1.34 s.
    assert rule.keys["silence_s"] == 2.7
    assert rule.why == (
        "600 of cap/level: 99.9% of the pauses last 1.34 s at most, the longest 1.85 s.",
        "Allowed: the first and 100%, or 1.25 times the second where that is more.",
    )


def test_limits_go_beyond_what_was_seen_by_a_share_of_its_spread(
    good: tuple[Bench, Evidence],
) -> None:
    bench, evidence = good
    (rule,) = [p for p in proposals(bench, whole(evidence)) if p.keys["kind"] == "limits"]
    # Levels go from 3 to 4.5 cm: a quarter of 1.5 beyond each, rounded outward.
    assert (rule.keys["min"], rule.keys["max"]) == (2.62, 4.88)


def test_counter_gets_no_limits(good: tuple[Bench, Evidence]) -> None:
    bench, evidence = good
    fields = [p.keys.get("field") for p in proposals(bench, whole(evidence))]
    assert "fields.n" not in fields


def test_reply_is_allowed_twice_what_it_took(good: tuple[Bench, Evidence]) -> None:
    bench, evidence = good
    rule = next(
        p
        for p in proposals(bench, whole(evidence))
        if p.keys["kind"] == "reply-within" and p.keys["reply_where"] == "topic = 'cap/gate'"
    )
    assert rule.keys["request_where"] == "source = 'controller' AND text LIKE 'gate %'"
    assert rule.keys["within_s"] == 0.11  # 50 ms and the byte times of the line


def test_span_before_the_first_fault_is_the_healthy_one(tmp_path: Path) -> None:
    records = [r for r in healthy(300) if r.source != "controller" or r.t_ns < START_NS + 200 * S]
    bench, evidence = learned(tmp_path, records, START_NS + 301 * S)
    until_ns = healthy_until_ns(evidence)
    assert START_NS + 199 * S <= until_ns <= START_NS + 200 * S
    span = Healthy.of(evidence, evidence.start_ns, until_ns)
    rule = next(p for p in proposals(bench, span) if "controller" in p.why[0])
    assert rule.keys["silence_s"] == 2


def test_gap_in_which_a_port_was_gone_does_not_count_as_a_pause(tmp_path: Path) -> None:
    gone = [r for r in healthy(300) if not START_NS + 100 * S <= r.t_ns < START_NS + 200 * S]
    gone += [Happened("camera", START_NS + 100 * S, "closed"),
             Happened("camera", START_NS + 199 * S, "opened")]  # fmt: skip
    bench, evidence = learned(tmp_path, gone, START_NS + 301 * S)
    rule = next(p for p in proposals(bench, whole(evidence)) if "of camera" in p.why[0])
    assert float(rule.keys["silence_s"]) < 5


def test_what_is_too_rare_to_tell_is_not_proposed(tmp_path: Path) -> None:
    few: list[Record] = [
        Arrived("broker", START_NS + k * S, "cap/level", b'{"cm": %d}' % k) for k in range(19)
    ]
    few.append(Chunk("camera", START_NS + MS, b"boot\n"))
    bench, evidence = learned(tmp_path, few, START_NS + 30 * S)
    assert proposals(bench, whole(evidence)) == []
    text = proposed_text([], proposals(bench, whole(evidence)))
    assert "Nothing here comes often or evenly enough" in text


def test_rule_that_would_not_hold_is_written_as_a_comment() -> None:
    rule = Proposed(("why",), {"kind": "cadence", "table": "prints", "silence_s": 1})
    text = proposed_text(["head"], [rule.without("it finds something")])
    assert text.splitlines()[:7] == [
        "# head",
        "",
        "# why",
        "# it finds something",
        "# [[rule]]",
        '# kind = "cadence"',
        '# table = "prints"',
    ]
    assert load_rules(text, "rules.toml") == []


def test_text_from_outside_stays_within_its_comment_and_its_quotes() -> None:
    rule = Proposed(
        ("a\n[[rule]]\x1b[2J",),
        {"kind": "cadence", "table": "messages", "where": "topic = 'a\"\n\\'", "silence_s": 1},
    )
    (made,) = load_rules(proposed_text([], [rule]), "rules.toml")
    assert isinstance(made, Cadence)
    assert made.where == "topic = 'a\"\n\\'"


def test_head_says_what_was_learned_from(good: tuple[Bench, Evidence]) -> None:
    _, evidence = good
    span = Healthy.of(evidence, evidence.start_ns + 5 * S, evidence.start_ns + 65 * S)
    assert head_of("soak", evidence, span)[0] == (
        "Rules learned from soak: 60 s, from 5 s after its start on."
    )

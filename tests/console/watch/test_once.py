"""A message that a network capture saw pass several times is one message to a rule."""

from __future__ import annotations

import polars as pl
import pytest

from console.bench.load import load_rules
from console.bench.model import Bench
from console.timeline.links.passed_on import published_in
from console.watch.findings import Finding
from console.watch.from_bench import rules_for
from console.watch.rule import Batch, standing
from tests.console.watch.runs import S, table

COUNT = 30
WHERE = "topic = 'cap/level'"


def passing(copies: int, *, sent: bool = True) -> pl.DataFrame:
    """A message a second to the broker, if it was seen on that way, and on to so many clients."""
    rows = []
    for n in range(COUNT):
        ways = [("board", "to-broker")] * sent + [(f"c{k}", "from-broker") for k in range(copies)]
        for k, (client, direction) in enumerate(ways):
            rows.append(
                {
                    "t_ns": n * S + k * 1_000_000,
                    "source": "lan",
                    "client": client,
                    "direction": direction,
                    "topic": "cap/level",
                    "payload": f'{{"n": {n}}}',
                    "fields": f'{{"n": {n}}}',
                    "retain": False,
                }
            )
    return table("messages", rows)


def found(rule: str, messages: pl.DataFrame) -> list[Finding]:
    bench = Bench(rules=load_rules(rule, "rules.toml", Bench()))
    rules = rules_for(bench, described=(), defaults=False)
    tables = {"messages": messages}
    for each in rules:
        each.begin(0)
    batch = Batch(tables, COUNT * S, published=published_in(tables))
    return standing(rules, COUNT * S, batch)


def about(kind: str, where: str, more: str = "") -> str:
    head = f'[[rule]]\nkind = "{kind}"\ntable = "messages"\nfield = "fields.n"\n'
    return f'{head}where = "{where}"\n{more}'


@pytest.mark.parametrize(("copies", "sent"), [(1, True), (3, True), (1, False)])
def test_a_counter_does_not_repeat_because_it_passed_again(copies: int, sent: bool) -> None:
    assert found(about("sequence", WHERE), passing(copies, sent=sent)) == []


def test_limits_count_each_message_once() -> None:
    (finding,) = found(about("limits", WHERE, "max = 19"), passing(2))
    assert (finding.evidence["count"], finding.evidence["of"]) == (10, 30)


def test_a_condition_on_the_way_sees_all_that_passed_that_way() -> None:
    passed = f"{WHERE} AND direction = 'from-broker'"
    (finding,) = found(about("sequence", passed), passing(2))
    assert (finding.evidence["kind"], finding.evidence["of"]) == ("repeat", 60)

"""Effects that did not come: all that were lost, and none that were not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
import pytest

from console.bench.model import Bench
from console.timeline.links.table import links_of
from console.timeline.parties import parties_of
from console.trust.unobserved import Unobserved
from tests.console.timeline.linked_worlds import (
    COMMAND,
    LEVEL,
    MS,
    STATE,
    Plan,
    absent,
    empty_tables,
    links,
    messages_of,
    prints_of,
    seen,
    world,
)

INTACT = (
    Plan(),
    Plan(wraps_at=256),
    Plan(wraps_at=16),
    Plan(polls=30, commands=3),
    Plan(period_ns=20 * MS),
    Plan(repeated=0.1),
    Plan(chatter=6_000),
)
LOSSES = (0.01, 0.05, 0.1, 0.2)


@pytest.mark.parametrize("plan", INTACT, ids=str)
@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_is_missing_from_a_run_where_nothing_was_lost(seed: int, plan: Plan) -> None:
    assert absent(links(world(seed, plan))) == set()


@pytest.mark.parametrize("share", LOSSES)
@pytest.mark.parametrize(
    "lost",
    [
        lambda share: Plan(repeated=0.05, messages_lost=share),
        lambda share: Plan(repeated=0.05, prints_lost=share),
        lambda share: Plan(repeated=0.05, replies_lost=share),
        lambda share: Plan(5_000, 100 * MS, 1_000, share, share, 0.05, share),
    ],
    ids=["messages", "prints", "replies", "all"],
)
def test_what_was_lost_is_told_and_nothing_else(
    lost: Callable[[float], Plan], share: float
) -> None:
    of = world(3, lost(share))
    told = absent(links(of))
    right = len(told & of.lacking)
    assert right >= 0.98 * len(told)
    assert right >= 0.98 * len(of.lacking)


@pytest.mark.parametrize("seed", range(5))
def test_lost_rows_of_an_undisturbed_log_are_told_exactly(seed: int) -> None:
    of = world(seed, Plan(prints_lost=0.03, messages_lost=0.03, chatter=0))
    assert absent(links(of)) == of.lacking


def test_a_lost_command_lacks_its_print_and_its_answer() -> None:
    of = world(8, Plan())
    prints, messages = of.tables["prints"], of.tables["messages"]
    of.tables["prints"] = prints.filter(~pl.col("text").str.starts_with("gate: command 30 "))
    of.tables["messages"] = messages.filter(~pl.col("fields").str.contains('"command":30,'))
    found = links(of).filter(pl.col("outcome") != "seen")
    row = of.tables["messages"].with_row_index("row").filter(topic=COMMAND)["row"][30]
    assert found.select("from_row", "to_table", "what").rows() == [
        (row, "prints", "gate: command # .."),
        (row, "messages", STATE),
    ]


def test_a_missing_effect_is_due_when_its_cause_usually_has_it() -> None:
    of = world(11, Plan(messages_lost=0.05, chatter=0))
    found = links(of).filter(what=LEVEL)
    came, lacking = found.filter(outcome="seen"), found.filter(outcome="missing")
    usual = np.median(came["latency_ns"].to_numpy())
    waits = (lacking["to_ns"] - lacking["from_ns"]).to_numpy()
    assert np.abs(waits - usual).max() <= 1
    assert lacking["to_row"].null_count() == lacking["latency_ns"].null_count() == lacking.height


def test_an_effect_due_while_its_source_was_not_observed_is_not_missing() -> None:
    of = world(12, Plan(messages_lost=0.05, chatter=0))
    half = Plan().polls * Plan().period_ns // 2
    gap = {"broker": Unobserved.of([(half, 2**62)])}
    lacking = links(of, gap).filter(pl.col("outcome") != "seen")
    unseen = lacking["outcome"] == "not-observed"
    late = lacking["to_ns"] > half
    assert 50 < late.sum() < lacking.height
    assert unseen.to_list() == late.to_list()


def test_an_effect_due_after_the_last_its_source_showed_is_not_missing() -> None:
    of = world(13, Plan(chatter=0, commands=0))
    of.tables["messages"] = of.tables["messages"].head(2_000)
    lacking = links(of).filter(pl.col("outcome") != "seen")
    assert lacking["outcome"].to_list() == ["not-observed"] * 1_000


def test_what_stops_half_way_is_missing_from_there_on() -> None:
    of = world(14, Plan(chatter=0))
    level = pl.col("topic") == LEVEL
    of.tables["messages"] = of.tables["messages"].filter(~level | (level.cum_sum() <= 1_500))
    lacking = links(of).filter(pl.col("outcome") != "seen")
    last = of.tables["messages"]["t_ns"].to_numpy().max()
    due = lacking["to_ns"].to_numpy()
    missing = (lacking["outcome"] == "missing").to_numpy()
    assert lacking["what"].to_list() == [LEVEL] * (Plan().polls - 1_500)
    assert due[missing].max() < last
    assert due[~missing].min() > last - 10 * MS


def test_what_is_published_on_change_alone_is_not_missing_in_between() -> None:
    rng = np.random.default_rng(15)
    changed = rng.random(3_000) < 0.85
    level = np.cumsum(np.where(changed, rng.integers(1, 9, 3_000), 0)) % 1_000
    at = [k * 100 * MS for k in range(3_000)]
    told = list(zip(at, level.tolist(), changed.tolist(), strict=True))
    prints = prints_of([(t, f"poll {k} level {v}") for k, (t, v, _) in enumerate(told)])
    messages = messages_of(
        [(t + 2 * MS, LEVEL, f'{{"poll":{k}}}') for k, (t, _, new) in enumerate(told) if new]
    )
    tables = empty_tables() | {"prints": prints, "messages": messages}
    found = links_of(tables, parties_of(tables, Bench()), {})
    assert seen(found, "prints", "messages").height == changed.sum()
    assert absent(found) == set()


def test_a_line_of_other_words_in_its_stead_is_not_a_missing_print() -> None:
    of = world(16, Plan(chatter=0))
    text = pl.col("text")
    odd = text.str.starts_with("sensor: poll 77 ") | text.str.starts_with("sensor: poll 1500 ")
    of.tables["prints"] = of.tables["prints"].with_columns(
        text=pl.when(odd).then(pl.lit("sensor: what was that?")).otherwise(text)
    )
    assert {table for _, _, table in absent(links(of))} == set()


def test_a_board_that_says_why_it_has_no_reply_does_not_lack_the_usual_print() -> None:
    of = world(17, Plan(replies_lost=0.05, chatter=0))
    silent = of.tables["exchanges"].filter(outcome="none")["request_ns"]
    told = (
        of.tables["prints"]
        .head(silent.len())
        .with_columns(t_ns=silent + 600_000, text=pl.lit("sensor: no reply"))
    )
    of.tables["prints"] = pl.concat([of.tables["prints"], told]).sort("t_ns")
    found = links(of)
    follows = found.filter(by="follows")
    assert follows["what"].to_list() == ["sensor: no reply"] * silent.len()
    assert {(table, to) for table, _, to in absent(found)} == {("exchanges", "messages")}


def test_a_request_without_a_reply_lacks_each_later_effect_once() -> None:
    of = world(18, Plan(replies_lost=0.02, chatter=0))
    lacking = links(of).filter(by="no reply")
    none = of.tables["exchanges"].filter(outcome="none").height
    assert none > 30
    assert dict(lacking["to_table"].value_counts().iter_rows()) == {
        "prints": none,
        "messages": none,
    }

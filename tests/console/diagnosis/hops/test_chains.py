"""How far each command came."""

from __future__ import annotations

import pytest

from console.diagnosis.hops.chains import chains_of
from tests.console.diagnosis.hops.test_hops import links, world
from tests.console.timeline.three_nodes import HOPS

LAST = {
    "publish": "gate/command",
    "deliver": "command # taken",
    "write": "set",
    "reply": "done",
    "tell": "gate stands, tag #",
    "answer": "gate/state",
    "arrive": "gate state #",
}


@pytest.mark.parametrize("losses", ["one in a hundred", "one in five", "the boards'"])
def test_each_command_is_a_chain_that_ends_where_it_was_lost(losses: str) -> None:
    of = world(losses)
    chains = chains_of(of.tables, links(losses))
    ended = chains.filter(outcome="lost")["lost_at"].value_counts()
    told = dict(ended.iter_rows())
    for hop in HOPS:
        assert told.get(LAST[hop], 0) == pytest.approx(of.lost[hop], abs=3)


def test_a_complete_chain_has_every_rung() -> None:
    chains = chains_of(world("none").tables, links("none"))
    whole = chains.filter(outcome="complete")
    assert whole.height >= 0.99 * chains.height
    assert whole.filter(rungs=len(HOPS)).height >= 0.99 * whole.height


def test_chains_begin_with_what_has_no_cause() -> None:
    chains = chains_of(world("one in five").tables, links("one in five"))
    assert chains["from_what"].unique().to_list() == ["sent command #"]
    assert chains.height == 2_000


def test_a_chain_took_until_its_last_event() -> None:
    of = world("none")
    chains = chains_of(of.tables, links("none")).filter(outcome="complete", rungs=len(HOPS))
    row = chains.row(100, named=True)
    at = ("prints", row["from_row"])
    for _ in HOPS:
        at = next(effect for effect, cause in of.causes.items() if cause == at)
    assert row["last_ns"] == of.tables["prints"]["t_ns"][at[1]]
    assert row["took_ns"] == row["last_ns"] - row["t_ns"]


def test_a_run_without_links_has_no_chains() -> None:
    assert chains_of(world("none").tables, links("none").clear()).height == 0

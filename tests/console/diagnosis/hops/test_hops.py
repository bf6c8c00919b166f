"""Losses of each hop beside a simulation of discrete events that knows them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache

import polars as pl
import pytest

from console.diagnosis.hops.hops import hops_of
from console.timeline.links.table import links_of
from tests.console.timeline.three_nodes import HOPS, Plan, World, three_nodes

POINT = 0.01
LOSSES: dict[str, tuple[float, ...]] = {
    "none": (0,) * 7,
    "one in a hundred": (0.01,) * 7,
    "one in five": (0.2,) * 7,
    "the network's": (0.2, 0.1, 0, 0, 0, 0.05, 0.15),
    "the boards'": (0, 0, 0.1, 0.05, 0.2, 0, 0),
}


@cache
def world(losses: str, bits: int = 16) -> World:
    return three_nodes(1, Plan(lost=dict(zip(HOPS, LOSSES[losses], strict=True)), bits=bits))


@cache
def links(losses: str, bits: int = 16) -> pl.DataFrame:
    found = world(losses, bits)
    return links_of(found.tables, found.parties, {})


@cache
def hops(losses: str, bits: int = 16) -> pl.DataFrame:
    return hops_of(world(losses, bits).tables, links(losses, bits))


def above(
    causes: Mapping[tuple[str, int], tuple[str, int]], at: tuple[str, int]
) -> Iterator[object]:
    """The causes of an event, nearest first."""
    while at in causes:
        at = causes[at]
        yield at


@pytest.mark.parametrize("bits", [16, 6])  # a number that goes round 30 times in the run
@pytest.mark.parametrize("losses", LOSSES)
def test_what_is_lost_on_each_hop_is_known_within_a_percentage_point(
    losses: str, bits: int
) -> None:
    of = world(losses, bits)
    true = [of.lost[hop] / of.tried[hop] for hop in HOPS]
    told = hops(losses, bits).filter(span="hop")["lost_share"].to_list()
    assert told == pytest.approx(true, abs=POINT)


@pytest.mark.parametrize("bits", [16, 6])
@pytest.mark.parametrize("losses", LOSSES)
def test_joins_are_right_and_hardly_one_is_left_out(losses: str, bits: int) -> None:
    of = world(losses, bits)
    joined = links(losses, bits).filter(outcome="seen")
    rows = joined.select("from_table", "from_row", "to_table", "to_row").rows()
    right = sum(of.causes.get((row[2], row[3])) == (row[0], row[1]) for row in rows)
    related = sum((row[0], row[1]) in above(of.causes, (row[2], row[3])) for row in rows)
    assert right / len(of.causes) >= 0.98
    assert related / len(rows) >= 0.98


def test_hops_stand_in_the_order_of_their_way() -> None:
    told = hops("one in a hundred").filter(span="hop")
    assert told["to_what"].to_list() == [
        "gate/command",
        "command # taken",
        "set",
        "done",
        "gate stands, tag #",
        "gate/state",
        "gate state #",
    ]


def test_from_a_command_to_its_answer_is_told_beside_the_hops() -> None:
    told = hops("none").filter(span="answer")
    assert told["from_what"].to_list() == ["gate/command"]
    assert told["to_what"].to_list() == ["gate/state"]


def test_the_interval_of_a_loss_is_the_exact_one() -> None:
    from scipy.stats import binomtest

    row = hops("one in five").row(0, named=True)
    exact = binomtest(row["missing"], row["causes"]).proportion_ci(0.95, "exact")
    assert (row["lost_low"], row["lost_high"]) == pytest.approx((exact.low, exact.high))


def test_messages_that_come_again_are_counted_and_are_no_loss() -> None:
    again = world("none").tables["messages"]["duplicate"].sum()
    told = hops("none").row(0, named=True)
    assert again > 5
    assert (told["repeated"], told["missing"]) == (again, 0)


def test_latencies_are_those_of_the_simulation() -> None:
    of, told = world("none"), hops("none").filter(to_what="gate/command").row(0, named=True)
    true = [
        of.tables["messages"]["t_ns"][row] - of.tables["prints"]["t_ns"][cause]
        for (table, row), (_, cause) in of.causes.items()
        if table == "messages"
        and of.tables["messages"]["topic"][row] == "gate/command"
        and not of.tables["messages"]["duplicate"][row]
    ]
    exact = pl.Series(true).quantile(0.9, "nearest")
    assert told["latency_p90_ns"] == exact


def test_where_numbers_come_again_too_soon_joins_are_told_as_ambiguous() -> None:
    plan = Plan(lost=dict.fromkeys(HOPS, 0.05), bits=3, network_ms=100)
    of = three_nodes(1, plan)
    joined = links_of(of.tables, of.parties, {}).filter(outcome="seen")
    rows = joined.select("from_table", "from_row", "to_table", "to_row", "ambiguous").rows()
    wrong = [row for row in rows if (row[0], row[1]) not in set(above(of.causes, (row[2], row[3])))]
    alike = sum(row[4] for row in rows) / len(rows)
    told = sum(row[4] for row in wrong) / len(wrong)
    assert told > 10 * alike
    assert hops_of(of.tables, joined)["ambiguous"].sum() > 0


def test_a_run_without_links_has_no_hops() -> None:
    of = world("none")
    assert hops_of(of.tables, links("none").clear()).height == 0

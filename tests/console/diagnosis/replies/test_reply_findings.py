"""Faulty replies as findings: once a target and kind, whatever is asked of whom."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from console.bench.load import load_rules
from console.bench.rules import ReplyShape
from console.diagnosis.replies.reply_findings import Wanted, reply_findings
from console.watch.findings import Finding
from console.watch.names import Names
from decoders.checkcodes import check_code
from decoders.errors import DescriptionError
from tests.console.diagnosis.replies.streams import HEALTHY, with_crc
from tests.console.watch.runs import S, poll, table, transaction

NAMES = Names({("i2c-1", 0x2E): "scale", ("i2c-1", 0x44): "hopper"}, {}, {"i2c-1": "wire"})


def run(*told: tuple[int, Iterable[bytes]]) -> pl.DataFrame:
    """Targets polled once a second, a write and a read each."""
    rows = [
        row
        for n, (address, replies) in enumerate(told)
        for k, data in enumerate(replies)
        for row in poll(k * S + n * S // 10, address, data.hex())
    ]
    return table("transactions", rows)


def scale(n: int = 400) -> list[bytes]:
    rng = np.random.default_rng(3)
    return [bytes(row) for row in with_crc(rng.normal(26_000, 25, (n, 1)).astype(">u2").view("u1"))]


def hopper(n: int = 400) -> list[bytes]:
    return [bytes(row) for row in HEALTHY["refilled"](np.random.default_rng(4), n).data]


def told(found: list[Finding]) -> list[tuple[str, str, int]]:
    return [(f.party, f.evidence["problem"], f.evidence["count"]) for f in found]


def test_healthy_targets_have_no_finding() -> None:
    assert reply_findings(run((0x2E, scale()), (0x44, hopper())), NAMES, 0) == []


def test_a_kind_of_fault_is_told_once_with_the_first_and_the_last() -> None:
    replies = scale()
    replies[100], replies[300] = b"\xff" * 3, b"\xff" * 3
    (found,) = reply_findings(run((0x2E, replies), (0x44, hopper())), NAMES, 0)
    assert told([found]) == [("scale", "filler", 2)]
    assert found.summary == (
        "scale: 2 replies of 400 of nothing but filler (nothing but FF, the check code too: "
        "nobody drove the line), first at 01:40.002, last at 05:00.002"
    )
    assert found.evidence["check_code"] == "CRC-8/NRSC-5 over the frame"
    assert found.evidence["times_ns"] == [100 * S + 2_000_000, 300 * S + 2_000_000]
    assert (found.severity, found.source) == ("warning", "wire")


def test_filler_that_the_target_vouches_for_is_said_so() -> None:
    replies = scale()
    replies[100] = b"\xff\xff" + bytes([check_code("CRC-8/NRSC-5").of(b"\xff\xff")])
    (found,) = reply_findings(run((0x2E, replies)), NAMES, 0)
    assert "the target says so" in found.summary


def test_two_targets_are_told_by_themselves() -> None:
    ones, others = scale(), hopper()
    ones[100] = others[120] = b"\xff" * 3
    found = reply_findings(run((0x2E, ones), (0x44, others)), NAMES, 0)
    assert told(found) == [("scale", "filler", 1), ("hopper", "filler", 1)]


def test_a_rule_may_be_about_one_device_and_leave_a_fault_out() -> None:
    ones, others = scale(), hopper()
    ones[100] = others[120] = b"\xff" * 3
    rows = run((0x2E, ones), (0x44, others))
    found = reply_findings(rows, NAMES, 0, Wanted("fault", "hopper"))
    assert [(f.party, f.severity) for f in found] == [("hopper", "fault")]
    assert reply_findings(rows, NAMES, 0, Wanted(leave_out=["filler"])) == []


@pytest.mark.parametrize("cuts", [[1], [3, 400, 401], list(range(0, 800, 7))])
def test_the_rows_may_come_in_any_pieces(cuts: list[int]) -> None:
    replies = scale()
    replies[100], replies[300] = b"\xff" * 3, b"\xff" * 3
    rows = run((0x2E, replies))
    edges = [0, *cuts, rows.height]
    pieces = [rows.slice(a, b - a) for a, b in pairwise(edges)]
    whole = reply_findings(rows, NAMES, 0)
    assert reply_findings(pl.concat(pieces, rechunk=False), NAMES, 0) == whole


def test_replies_nobody_acknowledged_and_cut_ones_are_not_judged() -> None:
    replies = run((0x2E, scale()))
    more = [
        transaction(150 * S + 7, read=True, address_acked=False, data="ffffff"),
        transaction(160 * S + 7, read=True, data="ff", problems=["ends-cut"]),
    ]
    rows = pl.concat([replies, table("transactions", more)]).sort("start_ns")
    assert reply_findings(rows, NAMES, 0) == []


def test_a_bench_says_what_is_left_out() -> None:
    text = '[[rule]]\nkind = "reply-shape"\nleave_out = ["frozen", "stale"]\n'
    assert load_rules(text, "rules.toml") == [ReplyShape(leave_out=["frozen", "stale"])]


def test_a_fault_that_there_is_not_is_refused_with_its_line() -> None:
    with pytest.raises(DescriptionError) as refused:
        load_rules('[[rule]]\nkind = "reply-shape"\nleave_out = ["tired"]\n', "rules.toml")
    assert "rules.toml:3" in str(refused.value)


def commanded(keep: bool) -> pl.DataFrame:
    """A gate is told a number and an angle, and read back; one number is left out."""
    rows = []
    rng = np.random.default_rng(5)
    for k in range(120):
        number = k + (k >= 60)
        data = bytes([number, 20 + 10 * int(rng.integers(0, 14))])
        if keep:
            told = transaction(k * S - S // 2, 0x44, data=(b"\x0e" + data).hex())
            rows.append(told)
        rows += poll(k * S, 0x44, data.hex())
    return table("transactions", rows)


@pytest.mark.parametrize(("keep", "faults"), [(True, 0), (False, 1)])
def test_a_number_that_the_target_was_told_is_no_counter_of_its_own(
    keep: bool, faults: int
) -> None:
    found = reply_findings(commanded(keep), NAMES, 0)
    assert told(found) == [("hopper", "sequence", 1)] * faults

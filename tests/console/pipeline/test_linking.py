"""The links of a whole run: counts are those of the simulator's own notes."""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl
import pytest

from captures_demo.simulator.make import CAP_LINE
from console.pipeline.gather import gathered
from console.pipeline.inputs import Overrides, settled
from console.pipeline.linking import linked, off_axis
from console.timeline.clocks import ClockMap, ClockPiece
from console.timeline.links.table import with_names
from console.timeline.parties import parties_of


@cache
def demo() -> pl.DataFrame:
    inputs = settled([str(CAP_LINE / "bench.toml")], Overrides())
    evidence = gathered(inputs)
    parties = parties_of(evidence.tables, inputs.bench)
    return with_names(linked(evidence, parties), parties)


DEMO_LINKS = [  # counts from captures_demo/cap_line/truth.json: what was printed and recorded
    ("camera", "controller", "sequence = seq", 2043),
    ("controller", "broker", "poll", 2039 + 425),
    ("broker", "controller", "n = command", 55),
    ("hopper", "controller", "follows", 425),
    ("camera", "controller", "follows", 77),
    ("camera", "camera", "reply", 2047),
    ("hopper", "hopper", "reply", 425),
]


@pytest.mark.parametrize(("cause", "effect", "by", "count"), DEMO_LINKS)
def test_the_demo_is_linked_throughout(cause: str, effect: str, by: str, count: int) -> None:
    found = demo().filter(outcome="seen", from_party=cause, to_party=effect, by=by)
    assert found.height == count


def test_the_demo_lacks_a_message_for_each_poll_after_the_camera_stopped() -> None:
    stopped_ns = 2050852932500  # truth.json: camera.first_unanswered_ns
    found = demo().filter(pl.col("outcome") != "seen", pl.col("from_ns") >= stopped_ns)
    assert found.select("from_table", "to_party", "by").unique().rows() == [
        ("exchanges", "broker", "no reply")
    ]
    assert found.height == 74
    assert found["outcome"].to_list() == ["missing"] * 73 + ["not-observed"]  # the log ended first


def test_the_four_lost_messages_of_the_demo_are_told() -> None:
    sent_ns = [377918716250, 378917957500, 1507875565500, 1817864538750]  # truth.json: lost
    found = demo().filter(outcome="not-observed", from_table="prints")
    assert found["what"].to_list() == ["capline/cam/blocks"] * 4
    late = found["from_ns"].to_numpy() - np.array(sent_ns)
    assert np.abs(late).max() < 1_100_000  # the board's band


def test_replies_with_a_wrong_sum_lack_a_message_but_not_a_print() -> None:
    found = demo().filter(pl.col("outcome") != "seen", from_table="packets")
    polls = ((found["from_ns"] / 1e9).round()).cast(pl.Int64).to_list()
    assert polls == [291, 806, 1177, 1806]  # truth.json: wrong_check_code, by the second
    assert found["to_party"].unique().to_list() == ["broker"]


def test_the_lost_command_of_the_demo_lacks_its_print_and_its_answer() -> None:
    found = demo().filter(pl.col("outcome") != "seen", from_table="messages")
    assert found.select("to_party", "outcome").rows() == [
        ("controller", "missing"),
        ("broker", "missing"),
    ]
    assert (found["from_ns"] / 1e9).round(2).unique().to_list() == [793.77]


def test_loose_files_are_linked_by_time_where_no_packets_are_described() -> None:
    names = ("wire.csv.gz", "controller.log", "broker.jsonl.gz")
    inputs = settled([str(CAP_LINE / name) for name in names], Overrides())
    evidence = gathered(inputs)
    found = linked(evidence, parties_of(evidence.tables, inputs.bench))
    follows = found.filter(outcome="seen", by="follows", from_table="transactions")
    assert follows.height == 2043 + 425 + 77


def piece(from_ns: int, until_ns: int, method: str) -> ClockPiece:
    return ClockPiece(
        source="log",
        clock="firmware",
        from_ns=from_ns,
        until_ns=until_ns,
        offset_ns=0,
        drift_ppm=0.0,
        band_ns=None if method == "none" else 0,
        anchors=0,
        rejected=0,
        method=method,
        ambiguous=False,
    )


EVER = 2**62
PIECES = [
    ([piece(0, 10, "axis")], []),
    ([piece(0, 10, "axis"), piece(20, 30, "equal-values")], []),
    ([piece(0, 10, "none"), piece(20, 30, "axis")], [(-EVER, 20)]),
    ([piece(0, 10, "axis"), piece(11, 12, "none"), piece(20, 30, "axis")], [(10, 20)]),
    ([piece(0, 10, "axis"), piece(11, 12, "none")], [(10, EVER)]),
    ([piece(0, 10, "none")], [(-EVER, EVER)]),
]


@pytest.mark.parametrize(("pieces", "spans"), PIECES)
def test_a_piece_off_the_axis_lies_anywhere_between_its_neighbours(
    pieces: list[ClockPiece], spans: list[tuple[int, int]]
) -> None:
    assert list(off_axis(ClockMap(tuple(pieces)))) == spans

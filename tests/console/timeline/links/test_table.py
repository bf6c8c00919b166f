"""Links: which effects belong to which causes, and which effects did not come."""

from __future__ import annotations

import numpy as np
import polars as pl

from console.bench.model import Bench
from console.timeline.links.table import SCHEMA, links_of
from console.timeline.parties import parties_of
from tests.console.timeline.linked_worlds import (
    LEVEL,
    MS,
    STATE,
    Plan,
    empty_tables,
    links,
    messages_of,
    prints_of,
    seen,
    world,
)


def test_each_print_is_linked_to_the_packet_it_tells_of() -> None:
    of = world(4, Plan(prints_lost=0.1, wraps_at=256))
    found = seen(links(of), "packets", "prints")
    packets = of.tables["packets"]["fields"].gather(found["from_row"])
    prints = of.tables["prints"]["text"].gather(found["to_row"])
    assert found.height == of.tables["prints"]["text"].str.starts_with("sensor").sum()
    assert (
        packets.str.extract(r'"sequence":(\d+)').to_list()
        == prints.str.extract(r"seq (\d+)").to_list()
    )


def test_a_message_is_linked_to_its_print_and_to_the_packet_where_there_is_none() -> None:
    of = world(5, Plan(prints_lost=0.2))
    found = links(of).filter(outcome="seen", what=LEVEL)
    causes = dict(found["from_table"].value_counts().iter_rows())
    lost = sum(table == "prints" for _, _, table in of.lacking)
    assert causes == {"prints": found.height - lost, "packets": lost}


def test_a_command_causes_the_print_about_it_although_prints_mostly_cause_messages() -> None:
    found = seen(links(world(6, Plan())), "messages", "prints")
    assert found.height == Plan().commands
    assert found["by"].unique().to_list() == ["n = command"]


def test_an_answer_is_linked_to_the_command_that_it_names() -> None:
    of = world(7, Plan())
    found = seen(links(of), "messages", "messages")
    ends = [
        of.tables["messages"]["fields"].gather(found[end]).str.extract(r"(\d+)").to_list()
        for end in ("from_row", "to_row")
    ]
    assert ends[0] == ends[1]
    assert found["what"].unique().to_list() == [STATE]


def test_a_repeated_message_is_linked_once() -> None:
    of = world(9, Plan(repeated=0.3))
    found = links(of).filter(outcome="seen", what=LEVEL)
    assert of.tables["messages"].filter(topic=LEVEL).height > Plan().polls
    assert found.height == found["from_row"].n_unique() == Plan().polls


def test_latencies_are_negative_by_no_more_than_the_bands() -> None:
    found = links(world(10, Plan(messages_lost=0.05))).filter(outcome="seen")
    assert (found["latency_ns"] == found["to_ns"] - found["from_ns"]).all()
    assert (found["latency_ns"] >= -found["band_ns"]).all()


def test_a_reply_is_linked_to_its_request() -> None:
    of = world(19, Plan(polls=50, replies_lost=0.2))
    found = links(of).filter(by="reply")
    answered = of.tables["exchanges"].filter(outcome="answered")
    assert found["from_ns"].to_list() == answered["request_ns"].to_list()
    assert found["latency_ns"].to_list() == answered["latency_ns"].to_list()
    packets = of.tables["packets"]["packet"]
    assert packets.gather(found["from_row"]).unique().to_list() == ["ask"]
    assert packets.gather(found["to_row"]).unique().to_list() == ["reading"]


def test_a_source_off_the_axis_is_linked_to_nothing() -> None:
    of = world(20, Plan())
    of.tables["messages"] = of.tables["messages"].with_columns(band_ns=pl.lit(None, pl.Int64))
    found = links(of)
    assert "messages" not in {*found["from_table"], *found["to_table"]}


def linked_by(prints: pl.DataFrame, messages: pl.DataFrame) -> pl.DataFrame:
    tables = empty_tables() | {"prints": prints, "messages": messages}
    return links_of(tables, parties_of(tables, Bench()), {})


def test_unrelated_sources_are_not_linked() -> None:
    rng = np.random.default_rng(21)
    span, n = 300_000 * MS, 3_000
    printed, published = (np.sort(rng.integers(0, span, n)).tolist() for _ in range(2))
    values = rng.integers(0, 100, (2, n))
    prints = prints_of([(t, f"heat: turn {k} at {values[0, k]}") for k, t in enumerate(printed)])
    messages = messages_of(
        [(t, "room/heat", f'{{"n":{k},"x":{values[1, k]}}}') for k, t in enumerate(published)]
    )
    assert linked_by(prints, messages).height == 0


def test_counters_of_equal_pace_are_not_linked_when_one_began_long_before() -> None:
    prints = prints_of([(k * 1_000 * MS, f"alive {k}") for k in range(1_000)])
    messages = messages_of(
        [(k * 1_000 * MS + 37_400 * MS, "room/alive", f'{{"n":{k}}}') for k in range(1_000)]
    )
    assert linked_by(prints, messages).height == 0


def test_what_follows_much_later_than_it_recurs_is_not_linked_by_time_alone() -> None:
    prints = prints_of([(k * 1_000 * MS, "tick") for k in range(1_000)])
    messages = messages_of([(k * 1_000 * MS + 400 * MS, "room/alive", "{}") for k in range(1_000)])
    assert linked_by(prints, messages).height == 0


def test_equal_causes_within_the_bands_are_ambiguous() -> None:
    rng = np.random.default_rng(22)
    pairs = np.cumsum(rng.integers(500 * MS, 1_500 * MS, 200))
    causes = np.sort(np.concatenate([pairs, pairs[::10] + 200_000])).tolist()  # tenth has a rival
    messages = messages_of([(t + 2 * MS, "door", "{}") for t in pairs.tolist()])
    found = linked_by(prints_of([(t, "open") for t in causes]), messages)
    assert found.filter(outcome="seen").height == 200
    assert found.filter("ambiguous")["to_row"].to_list() == list(range(0, 200, 10))


def test_a_run_with_nothing_in_it_has_no_links() -> None:
    of = world(23, Plan(polls=0, commands=0, chatter=0))
    found = links(of)
    assert found.schema == pl.Schema(SCHEMA)
    assert found.height == 0


def test_the_table_is_in_order_of_the_effects() -> None:
    assert links(world(24, Plan(messages_lost=0.1)))["to_ns"].is_sorted()

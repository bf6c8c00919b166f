"""What can be counted, frame by frame."""

from __future__ import annotations

from typing import Any

import polars as pl

from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.countable import countable, own_transactions, timed
from console.watch.names import Names
from tests.console.watch.runs import MS, S, Tables, nack, polls, table, transaction


def episode(**more: Any) -> Episode:
    made: dict[str, Any] = {
        "device": "camera",
        "source": "wire",
        "bus": "i2c-1",
        "address": 0x2E,
        "address_bits": 7,
        "first_good_ns": S,
        "last_good_ns": 10 * S + 2 * MS,
        "first_bad_ns": 11 * S,
        "until_ns": 20 * S,
        "failed": True,
        "recovered": False,
        "how": "address-nack",
        "transactions_answered": 20,
        "polls_answered": 10,
        "transactions_unanswered": 1,
    }
    return Episode(**(made | more))


def counted(tables: Tables, **more: Any) -> dict[str, float]:
    parts = pl.concat(list(countable(episode(**more), tables, Names(), (), S)))
    return dict(parts.group_by("name").agg(pl.col("n").sum()).iter_rows())


def test_every_frame_has_a_name_a_time_and_a_number() -> None:
    tables = {"transactions": table("transactions", polls(range(1, 11)))}
    for part in countable(episode(), tables, Names(), (), S):
        assert part.schema == {
            "name": pl.String, "t_ns": pl.Int64, "n": pl.Float64, "source": pl.String,
        }  # fmt: skip


def test_a_ten_bit_target_of_the_same_number_is_another() -> None:
    other = [transaction(k * S, address_bits=10) for k in range(1, 10)]
    tables = {"transactions": table("transactions", [*polls(range(1, 11)), *other])}
    found = counted(tables)
    assert (found["transactions"], found["transactions of 0x02E on i2c-1"]) == (20, 9)


def test_only_the_most_frequent_topics_are_counted_by_name() -> None:
    rows = [
        {"t_ns": k * MS + 2 * S, "source": "broker", "topic": f"t/{topic}"}
        for topic in range(30)
        for k in range(100 - topic)
    ]
    names = [name for name in counted({"messages": table("messages", rows)}) if " t/" in name]
    assert sorted(names) == sorted(f"messages on t/{k}" for k in range(20))


def test_the_shape_of_what_nobody_answered_is_not_known() -> None:
    rows = [*polls([1, 2]), nack(3 * S), transaction(4 * S, data="1055", acks="AN")]
    own = own_transactions(episode(), {"transactions": table("transactions", rows)}, S)
    assert own["shape"].to_list() == [
        *["writes of 1 byte, 10 first", "reads of 3 bytes"] * 2,
        None,
        None,
    ]
    assert own["data_nack"].to_list() == [False, False, False, False, False, True]


def test_a_row_without_a_time_is_in_no_life() -> None:
    rows = pl.concat(
        [
            table("prints", [{"t_ns": S, "text": "a"}]),
            table("prints", [{"t_ns": None, "text": "b"}]),
        ]
    )
    assert timed({"prints": rows}, "prints")["text"].to_list() == ["a"]


def test_a_table_that_is_not_there_has_no_rows() -> None:
    assert timed({}, "messages").height == 0

"""Everything that is counted in a life, from the tables of a run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl
import pytest

from console.diagnosis.episode import Episode
from console.diagnosis.lifetimes.counting import lives_of
from console.diagnosis.lifetimes.lives import Life
from console.watch.names import Names
from tests.console.watch.runs import MS, S, Tables, nack, poll, polls, table, transaction

NAMES = Names(devices={("i2c-1", 0x2E): "camera", ("i2c-1", 0x29): "hopper"})


def episode(first_s: float, last_s: float, bad_s: float, **more: Any) -> Episode:
    """A life of the camera; its last good transaction is the read of a poll."""
    made: dict[str, Any] = {
        "device": "camera",
        "source": "wire",
        "bus": "i2c-1",
        "address": 0x2E,
        "address_bits": 7,
        "first_good_ns": round(first_s * S),
        "last_good_ns": round(last_s * S) + 2 * MS,
        "first_bad_ns": round(bad_s * S),
        "until_ns": round(bad_s * S) + 20 * S,
        "failed": True,
        "recovered": False,
        "how": "address-nack",
        "transactions_answered": 20,
        "polls_answered": 10,
        "transactions_unanswered": 5,
    }
    return Episode(**(made | more))


def lives(tables: Tables, *episodes: Episode, off_axis: Sequence[str] = ()) -> list[Life]:
    return lives_of(episodes or [episode(1, 10, 11)], tables, "monday", NAMES, off_axis)


def ten_polls(*more: dict[str, object]) -> Tables:
    return {"transactions": table("transactions", [*polls(range(1, 11)), *more])}


def test_the_parts_own_traffic_is_counted_by_direction_and_shape() -> None:
    (life,) = lives(ten_polls())
    own = {
        name: life.counts[name]
        for name in (
            "polls", "transactions", "reads", "writes", "bytes", "bytes read", "bytes written",
            "reads of 3 bytes", "writes of 1 byte, 10 first",
        )
    }  # fmt: skip
    assert list(own.values()) == [10, 20, 10, 10, 40, 30, 10, 10, 10]


def test_what_came_after_the_last_good_one_is_not_counted() -> None:
    (life,) = lives(ten_polls(nack(11 * S), nack(12 * S)))
    assert (life.counts["transactions"], "address NACKs" in life.counts) == (20, False)


def test_nacks_and_the_retries_after_them_are_counted() -> None:
    refused = [nack(round((k + 0.5) * S)) for k in range(1, 10)]
    (life,) = lives(ten_polls(*refused))
    assert (life.counts["address NACKs"], life.counts["retries"]) == (9, 9)


def test_data_that_were_not_acknowledged_are_counted_by_themselves() -> None:
    refused = [transaction(round((k + 0.5) * S), data="1055", acks="AN") for k in range(1, 10)]
    (life,) = lives(ten_polls(*refused))
    assert (life.counts["data NACKs"], "address NACKs" in life.counts) == (9, False)


def test_others_on_the_bus_are_counted_by_name_and_in_all() -> None:
    others = [row for k in range(1, 10) for row in poll(round((k + 0.5) * S), address=0x29)]
    (life,) = lives(ten_polls(*others))
    assert (life.counts["transactions of hopper"], life.counts["transactions on i2c-1"]) == (18, 38)


def test_another_bus_is_not_counted() -> None:
    others = [transaction(round((k + 0.5) * S), bus="i2c-2") for k in range(1, 10)]
    (life,) = lives(ten_polls(*others))
    assert life.counts["transactions"] == life.counts["transactions on i2c-1"] == 20


def said(table_name: str, seconds: Sequence[float], **row: object) -> pl.DataFrame:
    return table(table_name, [{"t_ns": round(s * S), **row} for s in seconds])


def test_messages_are_counted_by_topic() -> None:
    tables = ten_polls()
    tables["messages"] = said("messages", range(1, 11), source="broker", topic="capline/level")
    assert lives(tables)[0].counts["messages on capline/level"] == 10


def test_prints_are_counted_by_what_is_the_same_in_them() -> None:
    tables = ten_polls()
    rows = [{"t_ns": k * S, "source": "controller", "text": f"poll {k} ok"} for k in range(1, 11)]
    tables["prints"] = table("prints", rows)
    assert lives(tables)[0].counts["prints like poll # ok"] == 10


def test_what_happened_to_sources_is_counted() -> None:
    tables = ten_polls()
    tables["happenings"] = said("happenings", range(1, 11), source="broker", what="opened")
    assert lives(tables)[0].counts["happenings: opened on broker"] == 10


def test_a_banner_that_ended_long_before_is_not_counted() -> None:
    tables = ten_polls()
    banner = [{"t_ns": S + k, "source": "controller", "text": "self-test"} for k in range(12)]
    tables["prints"] = table("prints", banner)
    assert "prints like self-test" not in lives(tables)[0].counts


def test_a_source_off_the_axis_is_not_counted() -> None:
    tables = ten_polls()
    tables["messages"] = said("messages", range(1, 11), source="broker", topic="capline/level")
    counts = lives(tables, off_axis=["broker"])[0].counts
    assert "messages on capline/level" not in counts


def test_a_life_says_from_when_it_counts_and_how_open_its_end_is() -> None:
    (life,) = lives(ten_polls())
    assert (life.zero, life.elapsed_ns, life.open_ns, life.how) == (
        "first seen", 9 * S + 2 * MS, S - 2 * MS, "address-nack",
    )  # fmt: skip


def test_a_boot_in_the_log_is_the_beginning_and_its_clock_the_uptime() -> None:
    tables = ten_polls()
    rows = [
        {"t_ns": k * S, "native_ns": k * S - S // 2, "source": "controller", "text": "x"}
        for k in range(1, 11)
    ]
    tables["prints"] = table("prints", rows)
    (life,) = lives(tables)
    assert (life.zero, life.elapsed_ns, life.exposed_ns, life.ticks) == (
        "boot", round(9.502 * S), round(9.002 * S), {"us": 9_502_000},
    )  # fmt: skip


def test_a_life_that_had_not_ended_is_censored() -> None:
    (life,) = lives(ten_polls(), episode(1, 10, 12, failed=False, how=""))
    assert (life.ended, life.open_ns, life.how) == ("censored", 0, "")


def test_a_second_life_counts_from_where_it_answered_again() -> None:
    tables = {"transactions": table("transactions", polls([*range(1, 11), *range(40, 50)]))}
    first, second = lives(tables, episode(1, 10, 11, recovered=True), episode(40, 49, 50))
    assert (first.zero, second.zero) == ("first seen", "answered again")
    assert (second.elapsed_ns, second.counts["transactions"]) == (9 * S + 2 * MS, 20)


def test_a_ten_bit_part_of_the_same_number_has_lives_of_its_own() -> None:
    seven, wide = episode(1, 10, 11, recovered=True), episode(40, 49, 50, address_bits=10)
    assert [life.zero for life in lives(ten_polls(), seven, wide)] == ["first seen", "first seen"]


def test_a_pause_in_the_asking_ends_no_life() -> None:
    pause = episode(1, 5, 6, how="not-asked", recovered=True)
    assert [life.elapsed_ns for life in lives(ten_polls(), pause, episode(1, 10, 11))] == [
        9 * S + 2 * MS
    ]


def test_a_part_that_never_answered_well_had_no_life() -> None:
    assert lives(ten_polls(), episode(1, 1, 1, transactions_answered=0)) == []


@pytest.mark.parametrize("name", ["prints", "messages", "happenings"])
def test_a_run_without_other_sources_is_counted(name: str) -> None:
    assert name not in " ".join(lives(ten_polls())[0].counts)

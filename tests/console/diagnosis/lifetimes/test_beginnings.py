"""From when a life is counted."""

from __future__ import annotations

import polars as pl

from console.bench.tables import TABLES
from console.diagnosis.lifetimes.beginnings import Stamps, beginning, stamps_of

S = 10**9


def log(
    rows: list[tuple[float, float | None]], source: str = "controller", boots: tuple[int, ...] = ()
) -> pl.DataFrame:
    """Prints at these seconds with these stamps; which of them say that the board boots."""
    made = [
        {
            "t_ns": round(t * S),
            "native_ns": None if own is None else round(own * S),
            "source": source,
            "text": "boot: build 41, reset by power-on" if k in boots else "x",
        }
        for k, (t, own) in enumerate(rows)
    ]
    full = [{column: row.get(column) for column in TABLES["prints"]} for row in made]
    return pl.DataFrame(full, schema=dict(TABLES["prints"]))


def stamps(rows: list[tuple[float, float | None]], *boots: int) -> Stamps:
    found = stamps_of(log(rows, boots=boots))
    assert found is not None
    return found


def test_a_log_that_begins_young_shows_the_boot() -> None:
    assert stamps([(10.0, 0.5), (20.0, 10.5)]).boots_ns.tolist() == [9.5 * S]


def test_a_log_that_begins_old_shows_none() -> None:
    assert stamps([(10.0, 4000.0), (20.0, 4010.0)]).boots_ns.tolist() == []


def test_stamps_that_go_back_are_a_boot() -> None:
    found = stamps([(10.0, 4000.0), (20.0, 4010.0), (31.0, 0.25), (32.0, 1.25)])
    assert found.boots_ns.tolist() == [30.75 * S]


def test_of_a_preset_tick_the_restart_itself_is_the_boot() -> None:
    found = stamps([(10.0, 4000.0), (20.0, 4010.0), (31.0, 3600.0)])
    assert found.boots_ns.tolist() == [31 * S]


def test_boot_that_is_said_counts_where_the_tick_was_preset() -> None:
    rows: list[tuple[float, float | None]] = [(0.04, 23.1), (20.0, 43.06)]
    assert stamps(rows).boots_ns.tolist() == [round((0.04 - 23.1) * S)]
    assert stamps(rows, 0).boots_ns.tolist() == [round(0.04 * S)]


def test_boot_that_is_said_a_little_late_was_when_the_tick_began() -> None:
    found = stamps([(10.0, 0.5), (10.2, 0.7), (20.0, 10.5)], 1)
    assert found.boots_ns.tolist() == [round(9.5 * S)]


def test_restart_that_is_said_is_one() -> None:
    rows: list[tuple[float, float | None]] = [(10.0, 4000.0), (20.0, 4010.0), (31.0, 0.25)]
    assert stamps(rows, 2).boots_ns.tolist() == stamps(rows).boots_ns.tolist()


def test_two_tasks_that_print_out_of_order_are_no_boot() -> None:
    assert stamps([(10.0, 4000.0), (10.1, 3999.5)]).boots_ns.tolist() == []


def test_the_boards_clock_goes_on_from_its_last_stamp() -> None:
    found = stamps([(10.0, 4000.0), (20.0, 4010.0)])
    assert (found.tick_at(25 * S), found.tick_at(9 * S)) == (4015 * S, None)


def test_a_date_is_no_tick() -> None:
    assert stamps([(10.0, 1.7e9)]).tick_at(11 * S) is None


def test_the_log_with_most_stamps_is_the_boards() -> None:
    both = pl.concat([log([(1.0, 500.0)], "relay"), log([(2.0, 0.5), (3.0, 1.5)])])
    found = stamps_of(both)
    assert found is not None
    assert found.boots_ns.tolist() == [1.5 * S]


def test_a_log_off_the_axis_says_nothing() -> None:
    assert stamps_of(log([(10.0, 0.5)]), off_axis=["controller"]) is None


def test_a_life_is_counted_from_the_boot_before_it() -> None:
    assert beginning(stamps([(10.0, 0.5)]), 12 * S, None) == ("boot", round(9.5 * S))


def test_without_a_boot_it_is_counted_from_the_first_answer() -> None:
    assert beginning(None, 12 * S, None) == ("first seen", 12 * S)


def test_after_a_stop_it_is_counted_from_the_answer() -> None:
    assert beginning(stamps([(10.0, 0.5)]), 40 * S, 30 * S) == ("answered again", 40 * S)


def test_a_boot_after_the_stop_is_the_new_beginning() -> None:
    found = stamps([(10.0, 0.5), (35.0, 0.5)])
    assert beginning(found, 40 * S, 30 * S) == ("boot", round(34.5 * S))

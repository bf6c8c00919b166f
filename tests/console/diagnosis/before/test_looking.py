"""What is looked at, what is not, and what each kind says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from console.diagnosis.before.difference import Differences
from console.diagnosis.before.looking import differences
from console.diagnosis.scene import Levels, Scene
from console.trust.unobserved import Unobserved
from tests.console.diagnosis.before.planted import ADDRESS, MS, US, S, scene_with

PLAIN = 3  # a seed without chance oddities


@pytest.fixture(scope="module")
def plain() -> Scene:
    return scene_with("", PLAIN, polls=2500)


@pytest.fixture(scope="module")
def bus_alone() -> Scene:
    return scene_with("", PLAIN, polls=2500, sources=False)


def with_rows(scene: Scene, table: str, **row: object) -> Scene:
    """One more row in a table."""
    frame = scene.table(table)
    full = {name: row.get(name) for name in frame.columns}
    more = pl.DataFrame([full], schema=frame.schema)
    together = pl.concat([frame, more]).sort(frame.columns[0], maintain_order=True)
    return replace(scene, tables={**scene.tables, table: together})


def printed(scene: Scene, text: str, before_ns: int, **more: object) -> Scene:
    t_ns = scene.episode.first_bad_ns - before_ns
    row = {"t_ns": t_ns, "source": "board", "text": text, "damaged": False, "band_ns": 400 * US}
    return with_rows(scene, "prints", **(row | more))


def changed_reads(scene: Scene, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Scene:
    """The answered reads of the peripheral, changed; other rows as they are."""
    frame = scene.table("transactions").with_row_index("k")
    mine = pl.col("read") & (pl.col("address") == ADDRESS)
    reads = change(frame.filter(mine))
    both = pl.concat([frame.filter(~mine), reads.select(frame.columns)]).sort("k").drop("k")
    return replace(scene, tables={**scene.tables, "transactions": both})


def kinds(found: Differences) -> list[str]:
    return [one.kind for one in found.ranked]


def test_new_print_is_told_with_its_place_and_time(plain: Scene) -> None:
    scene = printed(plain, "camera: fifo 3 overrun", 30 * MS)
    (first,) = differences(scene).ranked
    assert first.words == (
        "board printed “camera: fifo 3 overrun” 30 ms before the first unanswered transaction "
        "(from the last good poll on)"
    )
    assert first.kind == "prints"
    row = scene.table("prints").row(first.place.row, named=True)
    assert (first.place.table, row["text"]) == ("prints", "camera: fifo 3 overrun")
    assert first.rarity == f"none as odd in {first.of:,} before"
    assert first.frequency == (first.seen + 1) / (first.of + 1) < 0.002


@pytest.mark.parametrize(
    ("how", "moment"),
    [("not-asked", "the poll that did not come"), ("scl-stuck", "SCL was held low")],
)
def test_of_what_was_not_asked_no_unanswered_transaction_is_told(
    plain: Scene, how: str, moment: str
) -> None:
    rows, bad_ns = plain.table("transactions"), plain.episode.first_bad_ns
    asked = rows.filter((pl.col("address") != ADDRESS) | (pl.col("start_ns") < bad_ns))
    victim = replace(plain.episode, how=how, transactions_unanswered=0)
    scene = replace(plain, episode=victim, tables={**plain.tables, "transactions": asked})
    (first,) = differences(printed(scene, "camera: exit", 30 * MS)).ranked
    assert f" 30 ms before {moment} (" in first.words


def test_print_that_may_be_the_failures_own_is_not_told(plain: Scene) -> None:
    # Stamped 0.3 ms before, known to 0.4 ms: the firmware may be complaining already.
    assert kinds(differences(printed(plain, "camera: no reply", 300 * US))) == []


def test_print_that_lost_bytes_is_no_new_sentence(plain: Scene) -> None:
    assert kinds(differences(printed(plain, "hopper: po", 30 * MS, damaged=True))) == []


def test_message_on_a_new_topic_is_told(plain: Scene) -> None:
    row = {"topic": "capline/gate", "payload": "open", "source": "broker", "band_ns": MS}
    at = plain.episode.first_bad_ns - 40 * MS
    (first,) = differences(with_rows(plain, "messages", t_ns=at, retain=False, **row)).ranked
    assert first.words.startswith("message on capline/gate: open 40 ms before")


def test_what_the_broker_remembered_is_no_news(plain: Scene) -> None:
    row = {"topic": "capline/gate", "payload": "open", "source": "broker", "band_ns": MS}
    at = plain.episode.first_bad_ns - 40 * MS
    scene = with_rows(plain, "messages", t_ns=at, retain=True, **row)
    assert kinds(differences(scene)) == []


def test_restart_just_before_is_told_where_stamps_go_back(plain: Scene) -> None:
    text = plain.table("prints").filter(pl.col("text").str.contains("poll"))["text"][-1]
    scene = printed(plain, text, 50 * MS, native_ns=5)
    assert "restart" in kinds(differences(scene))


def test_new_happening_is_told(plain: Scene) -> None:
    row = {"source": "board", "what": "lost", "detail": "", "band_ns": 0}
    scene = plain
    for before_ns in (245 * S, 20 * MS):
        what = row | {"what": "opened" if before_ns > S else "lost"}
        at = scene.episode.first_bad_ns - before_ns
        scene = with_rows(scene, "happenings", t_ns=at, **what)
    found = differences(scene)
    assert [one.words[:22] for one in found.ranked] == ["board: lost 20 ms befo"]


def test_memory_that_shrinks_to_its_end_is_told(plain: Scene) -> None:
    shrunk = (
        pl.when(pl.col("text").str.contains("heap"))
        .then(pl.format("loop: heap {} free", 42_000 - pl.int_range(pl.len()) * 20))
        .otherwise("text")
        .alias("text")
    )
    prints = plain.table("prints").with_columns(shrunk)
    found = differences(replace(plain, tables={**plain.tables, "prints": prints}))
    assert "memory" in kinds(found)
    told = next(one for one in found.ranked if one.kind == "memory")
    assert told.words.startswith("loop: heap # free: from 41")


def test_printed_number_unlike_all_others_is_told(plain: Scene) -> None:
    scene = printed(plain, "hopper: poll 2500 level 9000.5 cm", 50 * MS)
    found = differences(scene)
    assert kinds(found) == ["numbers"]
    assert found.ranked[0].words.startswith("9000.5 in “hopper: poll # level # cm” (usually about")


def test_a_number_that_never_moved_until_the_end_is_told(plain: Scene) -> None:
    polls = plain.table("transactions").filter("read", pl.col("address") == ADDRESS)
    said = polls.filter("address_acked").select(
        t_ns=pl.col("end_ns") + 5 * MS, source=pl.lit("board"), damaged=False, band_ns=400 * US
    )
    zeros = pl.int_range(pl.len()) < pl.len() - 1
    text = pl.when(zeros).then(pl.lit("bus err 0")).otherwise(pl.lit("bus err 7"))
    said = said.with_columns(text=text, band_ns=pl.lit(400 * US, pl.Int64))
    prints = pl.concat([plain.table("prints"), said], how="diagonal_relaxed").sort("t_ns")
    found = differences(replace(plain, tables={**plain.tables, "prints": prints}))
    assert any(one.words.startswith("7 in “bus err #”") for one in found.ranked)


def test_reply_left_over_from_the_one_before_is_told(bus_alone: Scene) -> None:
    def leave(reads: pl.DataFrame) -> pl.DataFrame:
        data = reads["data"].to_list()
        data[-1] = data[-2][-8:] + "0102"
        return reads.with_columns(data=pl.Series(data))

    found = differences(changed_reads(bus_alone, leave))
    assert "leftover" in kinds(found)
    told = next(one for one in found.ranked if one.kind == "leftover")
    assert told.words.startswith("read of 6 bytes begins with the last 4 bytes of the reply before")


def test_second_read_in_a_row_is_told_as_an_order_never_seen(bus_alone: Scene) -> None:
    frame = bus_alone.table("transactions")
    mine = frame.filter(pl.col("read") & (pl.col("address") == ADDRESS)).row(-1, named=True)
    starts = mine["end_ns"] + 500 * US
    again = mine | {"start_ns": starts, "end_ns": starts + 900 * US}
    (first,) = differences(with_rows(bus_alone, "transactions", **again)).ranked
    assert (first.kind, first.seen) == ("order", 0)
    assert first.said.words == "read of 6 bytes after read of 6 bytes"


def test_lengths_that_creep_up_are_told(bus_alone: Scene) -> None:
    def creep(reads: pl.DataFrame) -> pl.DataFrame:
        last = pl.int_range(pl.len()) - (pl.len() - 9)
        longer = pl.when(last >= 0).then(last * 60 * US).otherwise(0)
        return reads.with_columns(end_ns=pl.col("end_ns") + longer)

    assert "growth" in kinds(differences(changed_reads(bus_alone, creep)))


def test_first_noise_on_the_lines_is_told(bus_alone: Scene) -> None:
    at = bus_alone.episode.last_good_ns + 5 * MS
    row = {"source": "wire", "bus": "i2c-1", "state": "noise"}
    scene = with_rows(bus_alone, "line_states", start_ns=at, end_ns=at + 700, **row)
    (first,) = differences(scene).ranked
    assert first.words.startswith("edges outside of any transaction for 700 ns")


def wire_of(scene: Scene, runt: bool) -> Callable[[str, int, int], Levels]:
    """Twelve SCL pulses of 5 us in each read; one of 700 ns in the last if `runt`."""
    mine = (pl.col("address") == ADDRESS) & pl.col("read")
    starts = scene.table("transactions").filter(mine)["start_ns"].to_numpy()
    jitter = np.random.default_rng(4).integers(-8, 9, (len(starts), 12))
    at = starts[:, None] + 10 * US * (1 + np.arange(12))
    rises, falls = at, at + 5 * US + jitter * 10
    if runt:
        falls[-1, 5] = rises[-1, 5] + 700
    t_ns = np.stack([rises, falls], axis=2).reshape(-1)
    scl = np.tile([True, False], len(starts) * 12)
    levels = Levels(t_ns, scl, np.zeros(len(scl), np.bool_), int(t_ns[-1]) + S)
    return lambda _bus, _begin, _end: levels


@pytest.mark.parametrize(("runt", "wanted"), [(True, ["pulses"]), (False, [])])
def test_runt_clock_is_told_where_the_wire_is_kept(
    bus_alone: Scene, runt: bool, wanted: list[str]
) -> None:
    found = differences(replace(bus_alone, wire=wire_of(bus_alone, runt)))
    assert kinds(found) == wanted
    assert "pulses" in found.kinds


def test_runt_is_told_with_its_width_and_place(bus_alone: Scene) -> None:
    (first,) = differences(replace(bus_alone, wire=wire_of(bus_alone, runt=True))).ranked
    assert first.words.startswith("narrowest pulse of read of 6 bytes: 700 ns (usually 4.92 us)")
    assert first.place.t_ns == bus_alone.episode.last_good_ns + 60 * US


def test_what_no_source_watched_is_not_looked_at(bus_alone: Scene) -> None:
    found = differences(bus_alone)
    assert found.looked_at == 9
    assert found.not_observable == [
        "pulses: the levels of the wire were not kept here",
        "prints: not observable here",
        "numbers: not observable here",
        "memory: not observable here",
        "restart: not observable here",
        "messages: not observable here",
        "values: not observable here",
        "happenings: not observable here",
    ]


@pytest.mark.parametrize("off_axis", [True, False])
def test_prints_that_were_not_watched_to_the_failure_say_nothing(
    plain: Scene, off_axis: bool
) -> None:
    bad_ns = plain.episode.first_bad_ns
    gap = Unobserved.of([(bad_ns - 20 * MS, bad_ns + S)])
    sources = [
        replace(each, off_axis=off_axis, unobserved=each.unobserved if off_axis else gap)
        if each.name == "board"
        else each
        for each in plain.sources
    ]
    scene = replace(printed(plain, "camera: fifo 3 overrun", 30 * MS), sources=sources)
    found = differences(scene)
    assert "prints: not observable here" in found.not_observable
    assert kinds(found) == []


def test_with_few_polls_before_it_nothing_can_be_told() -> None:
    found = differences(scene_with("shape", 0, polls=120))
    assert not found.can_tell
    assert found.ranked == []
    assert found.words.startswith("cannot say: too few (8")
    assert [one.kind for one in found.noticed][:1] == ["shape"]


@pytest.mark.parametrize("polls", [6, 35, 60])
def test_run_of_a_few_polls_is_looked_at_without_an_answer(polls: int) -> None:
    found = differences(scene_with("", 1, polls=polls))
    assert (list(found.ranked), found.can_tell) == ([], False)


def test_ends_of_earlier_episodes_are_no_healthy_polls() -> None:
    # The same run once more behind itself: its precursor is seen a second time, at an end.
    scene = scene_with("missing-stop", 5, polls=1500, rarity=0.0, sources=False)
    shift = scene.end_ns + S
    frame = scene.table("transactions")
    later = frame.with_columns(pl.col("start_ns") + shift, pl.col("end_ns") + shift)
    episode = scene.episode
    second = replace(
        scene,
        episode=replace(
            episode,
            first_good_ns=episode.first_good_ns + shift,
            last_good_ns=episode.last_good_ns + shift,
            first_bad_ns=episode.first_bad_ns + shift,
            until_ns=episode.until_ns + shift,
        ),
        tables={"transactions": pl.concat([frame, later])},
    )
    (first,) = (one for one in differences(second).ranked if one.kind == "shape")
    assert (first.seen, first.of > 2500) == (0, True)


def test_peripheral_that_never_answered_has_no_before(plain: Scene) -> None:
    found = differences(replace(plain, episode=replace(plain.episode, transactions_answered=0)))
    assert (found.ranked, found.looked_at) == ((), 0)

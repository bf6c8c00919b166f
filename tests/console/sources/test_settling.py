"""Which files of a folder are complete, look after look."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.sources.settling import Seen, Settling, Turned

STILL = 100
Looks = list[tuple[int, Mapping[str, Seen]]]


def turned(looks: Looks, pattern: str = "*") -> list[tuple[int, str, str]]:
    """What became of files, after a first look at an empty folder: time, name, turn."""
    settling = Settling(pattern, STILL)
    settling.look({}, 0)
    return [(t, one.name, one.turn) for t, files in looks for one in settling.look(files, t)]


def seen(size: int, inode: int = 1, changed_ns: int = 0) -> Seen:
    return Seen(inode, size, changed_ns)


def test_a_file_is_complete_when_it_stayed_the_same_for_long_enough() -> None:
    file = {"a.csv": seen(9)}
    assert turned([(10, file), (60, file), (109, file), (110, file), (300, file)]) == [
        (110, "a.csv", "complete")
    ]


def test_a_file_that_grows_is_not_complete() -> None:
    assert turned([(t, {"a.csv": seen(t)}) for t in range(10, 2000, 50)]) == []


def test_a_file_that_is_written_over_in_its_size_is_not_complete() -> None:
    assert turned([(t, {"a.csv": seen(9, changed_ns=t)}) for t in range(10, 2000, 50)]) == []


def test_a_pause_shorter_than_asked_starts_the_waiting_anew() -> None:
    looks: Looks = [(10, {"a": seen(1)}), (100, {"a": seen(1)}), (105, {"a": seen(2)})]
    assert turned([*looks, (204, {"a": seen(2)}), (205, {"a": seen(2)})]) == [
        (205, "a", "complete")
    ]


def test_times_of_the_file_system_are_not_believed() -> None:
    long_ago = {"a.csv": seen(9, changed_ns=-(10**15))}
    assert turned([(10, long_ago), (20, long_ago)]) == []


def test_an_empty_file_is_only_begun() -> None:
    assert turned([(10, {"a": seen(0)}), (500, {"a": seen(0)})]) == []


@pytest.mark.parametrize("name", ["a.csv.part", "a.csv.TMP", ".a.csv", "a.csv~", "b.vcd"])
def test_files_of_unfinished_or_other_names_are_left_alone(name: str) -> None:
    looks: Looks = [(10, {name: seen(9)}), (500, {name: seen(9)})]
    assert turned(looks, "*.csv*") == []


def test_a_file_renamed_into_place_is_complete_at_once() -> None:
    looks: Looks = [(10, {"a.csv.part": seen(9)}), (20, {"a.csv": seen(9)})]
    assert turned(looks) == [(20, "a.csv", "complete")]


def test_a_file_that_grew_while_it_was_renamed_has_to_settle() -> None:
    looks: Looks = [(10, {"a.csv.part": seen(9)}), (20, {"a.csv": seen(12)})]
    assert turned([*looks, (120, {"a.csv": seen(12)})]) == [(120, "a.csv", "complete")]


def test_a_file_that_was_unfinished_at_the_first_look_belongs_to_the_run() -> None:
    settling = Settling("*", STILL)
    settling.look({"a.csv.part": seen(9)}, 0)
    assert settling.look({"a.csv": seen(9)}, 10) == [Turned("a.csv", "complete", 9)]


def test_a_complete_file_that_gets_another_name_is_not_told_again() -> None:
    looks: Looks = [(10, {"a": seen(9)}), (110, {"a": seen(9)}), (120, {"b": seen(9)})]
    assert turned([*looks, (500, {"b": seen(9)})]) == [(110, "a", "complete")]


def test_a_file_that_is_replaced_is_told_anew_when_it_is_complete() -> None:
    first, second = {"a": seen(9)}, {"a": seen(7, inode=2, changed_ns=150)}
    assert turned([(10, first), (110, first), (150, second), (200, second), (250, second)]) == [
        (110, "a", "complete"),
        (250, "a", "replaced"),
    ]


def test_a_file_server_that_numbers_anew_replaces_nothing() -> None:
    looks: Looks = [(10, {"a": seen(9)}), (110, {"a": seen(9)})]
    assert turned([*looks, (120, {"a": seen(9, inode=7)}), (500, {"a": seen(9, inode=7)})]) == [
        (110, "a", "complete")
    ]


def test_a_file_that_goes_away_before_it_is_complete_is_told() -> None:
    assert turned([(10, {"a": seen(9)}), (20, {})]) == [(20, "a", "gone")]


def test_a_complete_file_may_go_away_without_a_word() -> None:
    assert turned([(10, {"a": seen(9)}), (110, {"a": seen(9)}), (120, {})]) == [
        (110, "a", "complete")
    ]


def test_what_was_there_before_is_left_alone_until_it_changes() -> None:
    settling = Settling("*", STILL)
    settling.look({"old": seen(9)}, 0)
    assert settling.look({"old": seen(9)}, 1000) == []
    assert settling.look({"old": seen(10)}, 1010) == []
    assert settling.look({"old": seen(10)}, 1110) == [Turned("old", "complete", 10)]


def test_a_file_that_could_not_be_read_is_told_again() -> None:
    settling = Settling("*", STILL)
    file = {"a": seen(9)}
    got = [settling.look(files, t) for t, files in ((0, {}), (10, file), (110, file))]
    settling.again("a", 110)
    got += [settling.look(file, t) for t in (209, 210)]
    complete = [Turned("a", "complete", 9)]
    assert got == [[], [], complete, [], complete]


# One writer: appends, pauses, renames; the folder is looked at at any times in between.
@settings(deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(1, 90), st.integers(0, 2)), max_size=40),
    part=st.booleans(),
)
def test_no_file_is_told_while_its_pauses_are_shorter_than_asked(
    steps: list[tuple[int, int]], part: bool
) -> None:
    name, size, now, looks = "a.csv.part" if part else "a.csv", 1, 0, Looks()
    grown_at = 0
    for wait, more in steps:
        now += wait
        if more or now - grown_at >= STILL:
            size, grown_at = size + 1, now
        looks.append((now, {name: seen(size)}))
    assert turned(looks) == []

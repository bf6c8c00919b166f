from __future__ import annotations

from collections.abc import Iterable

import pytest

from console.timeline.numbers.numeric_fields import NumericField, numbers_of, numeric_fields
from tests.console.timeline.number_tables import prints


def told(fields: Iterable[NumericField]) -> list[tuple[str, str, str, str]]:
    return [(field.party, field.subject, field.path, field.name) for field in fields]


def test_numbers_in_sentences_are_known_by_the_word_before_them() -> None:
    tables = {"prints": prints(["hopper: poll 7 level 89.2 cm", "hopper: poll 8 level -3 cm"])}
    poll, level = numeric_fields(tables)
    assert told([poll, level]) == [
        ("board", "hopper: poll # level # cm", "text.0", "poll"),
        ("board", "hopper: poll # level # cm", "text.1", "level"),
    ]
    assert (poll.unit, level.unit) == ("", "cm")
    assert numbers_of(tables, level).values.tolist() == [89.2, -3.0]
    assert numbers_of(tables, level).t_ns.tolist() == [0, 1_000]


@pytest.mark.parametrize(
    ("texts", "names"),
    [
        (["i2c: bus 2e at 100 kHz", "i2c: bus 3e at 400 kHz"], ["at"]),  # no i2, no 2 of 2e
        (["gate reached in 165 ms", "gate reached in 188 ms"], ["reached in"]),
        (["1311 of them", "1312 of them"], ["of them"]),
        (["motor #1 at 200", "motor #2 at 300"], ["motor", "at"]),
        (["(7.5)", "(8.5)"], ["number 1"]),
        (["heap=41000;", "heap=40800;"], ["heap"]),
        (["nothing here", "nor here"], []),
    ],
)
def test_which_numbers_of_a_sentence_count_and_what_they_are_called(
    texts: list[str], names: list[str]
) -> None:
    fields = numeric_fields({"prints": prints(texts)})
    assert [field.name for field in fields] == names


@pytest.mark.parametrize("text", ["a.b* [x] {3} # (4|5) ^$ \\ 6", "\t~&- 7 \x1b[31m ]"])
def test_sentences_with_every_special_character_are_read(text: str) -> None:
    tables = {"prints": prints([text, text])}
    fields = numeric_fields(tables)
    assert fields
    assert [len(numbers_of(tables, field)) for field in fields] == [2] * len(fields)


def test_sentences_that_differ_in_a_word_are_not_mixed() -> None:
    tables = {"prints": prints(["level 1 cm", "level 2 mm", "level 3 cm", "level 4 mm"])}
    fields = numeric_fields(tables)
    assert [numbers_of(tables, f).values.tolist() for f in fields] == [[1.0, 3.0], [2.0, 4.0]]

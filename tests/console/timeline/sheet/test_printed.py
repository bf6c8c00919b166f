"""The sheet of a print: numbers compared with the last line of the same sentence."""

from __future__ import annotations

import pytest

from console.timeline.sheet.lines import Change, Tone, Words
from console.timeline.sheet.lines import Field as Line
from console.timeline.sheet.printed import native_text, sentence
from tests.console.timeline.sheet.benches import field, of_kind, sheet_of
from tests.console.watch.runs import S, Tables, table


def prints(*texts: str, **more: object) -> Tables:
    rows = [
        {"t_ns": k * S, "source": "controller", "native_ns": k * S, "level": "info", "text": text}
        | {"damaged": False}
        | (more if k == len(texts) - 1 else {})
        for k, text in enumerate(texts)
    ]
    return {"prints": table("prints", rows)}


def numbers(*texts: str) -> list[tuple[str, str, Change, str]]:
    sheet = sheet_of(prints(*texts), "prints", len(texts) - 1)
    found = of_kind(sheet, Line)
    at = [line.name for line in found].index("level")
    return [(line.name, line.value, line.change, line.was) for line in found[:at]]


def test_numbers_go_by_the_word_before_them() -> None:
    assert numbers("poll 7 seq=12 us 1841", "hello", "poll 8 seq=12 us 1790") == [
        ("poll", "8", Change.STEPS, "7"),
        ("seq", "12", Change.SAME, ""),
        ("us", "1790", Change.DIFFERS, "1841"),
    ]


def test_another_sentence_is_not_compared_with() -> None:
    assert numbers("poll 7", "polls 7", "poll 7 done", "poll -8.5") == [
        ("poll", "-8.5", Change.DIFFERS, "7")
    ]


def test_a_number_without_a_word_is_counted() -> None:
    assert numbers("12: 34") == [
        ("number 1", "12", Change.NONE, ""),
        ("number 2", "34", Change.NONE, ""),
    ]


def test_what_differs_is_lit_in_the_text_itself() -> None:
    sheet = sheet_of(prints("a 1 b 5", "a 2 b 9"), "prints", 1)
    assert of_kind(sheet, Words)[0] == Words("a 2 b 9", Tone.PLAIN, ((6, 7),))
    assert sheet.compared == "beside the last like it, 1 s before"


def test_a_damaged_line_says_so_and_is_no_measure_for_others() -> None:
    tables = prints("a 1", "a 5", damaged=True)
    assert sheet_of(tables, "prints", 1).problems
    tables = prints("a 1", "a 2", "a 3")
    frame = tables["prints"]
    frame[1, "damaged"] = True
    sheet = sheet_of(tables, "prints", 2)
    assert field(sheet, "a").was == "1"


def test_fields_of_the_pattern_are_compared_too() -> None:
    tables = prints("x", "y", fields='{"level_cm": 41.5}')
    sheet = sheet_of(tables, "prints", 1)
    assert field(sheet, "level_cm").value == "41.5"


@pytest.mark.parametrize(
    ("native_ns", "expected"),
    [
        (3_600_120_000_000, "1:00:00.120000"),
        (1_795_599_410_892_218_578, "2026-11-25 09:36:50.892218 UTC"),
    ],
)
def test_a_stamp_is_a_date_or_counts_from_a_start(native_ns: int, expected: str) -> None:
    assert native_text(native_ns) == expected


def test_a_line_longer_than_any_sentence_is_not_compared() -> None:
    text = "12 " * 100_000
    sheet = sheet_of(prints(text, text), "prints", 1)
    assert sheet.compared == "no good line of this sentence before it to compare with"
    assert len(of_kind(sheet, Words)[0].text) < 700


def test_a_sentence_is_a_line_without_its_numbers() -> None:
    assert sentence("poll -7 of 0.5s") == "poll # of #s"

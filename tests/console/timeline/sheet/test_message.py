"""The sheet of a message: flags and payload beside the last message of the topic."""

from __future__ import annotations

import json
import time

from console.timeline.sheet.lines import Change, More, Sheet, Words
from tests.console.timeline.sheet.benches import field, of_kind, sheet_of
from tests.console.watch.runs import S, Tables, table


def messages(*payloads: str, **more: object) -> Tables:
    rows = [
        {"t_ns": k * S, "source": "broker", "client": "", "direction": "", "topic": "line/n"}
        | {"payload": payload, "qos": 0, "retain": False, "duplicate": False}
        | (more if k == len(payloads) - 1 else {})
        for k, payload in enumerate(payloads)
    ]
    return {"messages": table("messages", rows)}


def last_sheet(tables: Tables, row: int) -> Sheet:
    return sheet_of(tables, "messages", row)


def test_the_payload_is_a_tree_beside_the_topics_last_one() -> None:
    sheet = last_sheet(messages('{"n":1,"gate":"left"}', '{"n":2,"gate":"right"}'), 1)
    assert sheet.title == "line/n"
    assert field(sheet, "n").change is Change.STEPS
    assert (field(sheet, "gate").value, field(sheet, "gate").was) == ('"right"', '"left"')


def test_another_topic_is_not_compared_with() -> None:
    sheet = last_sheet(messages("1", "2", topic="line/m"), 1)
    assert sheet.compared == "no good message of this topic before it to compare with"


def test_a_flag_that_changed_is_lit() -> None:
    sheet = last_sheet(messages("1", "2", retain=True, qos=None), 1)
    assert (field(sheet, "retain").change, field(sheet, "retain").was) == (Change.DIFFERS, "no")
    assert field(sheet, "qos").value == "not told"


def test_a_duplicate_says_what_it_is() -> None:
    sheet = last_sheet(messages("1", "1", duplicate=True), 1)
    assert sheet.problems == ("sent again: its duplicate flag is set",)


def test_text_that_is_no_json_is_shown_as_it_is() -> None:
    sheet = last_sheet(messages("not { json", "\x1b[2J"), 1)
    assert of_kind(sheet, Words)[-1].text == "\x1b[2J"


def test_a_payload_without_anything_says_so() -> None:
    assert of_kind(last_sheet(messages(""), 0), Words)[-1].text == "empty"


def test_a_payload_that_was_no_json_makes_every_member_new() -> None:
    sheet = last_sheet(messages("oops", '{"n":2}'), 1)
    assert field(sheet, "n").change is Change.NEW


def test_a_megabyte_of_members_is_a_bounded_sheet() -> None:
    payload = json.dumps({f"key {k}": k for k in range(100_000)})
    tables = messages(payload, payload)
    began = time.perf_counter()
    sheet = last_sheet(tables, 1)
    assert time.perf_counter() - began < 2
    assert len(sheet.lines) < 300
    assert of_kind(sheet, More) == [More(99_950, "members")]


def test_a_payload_nested_beyond_every_parser_is_shown_as_text() -> None:
    sheet = last_sheet(messages("[" * 200_000 + "]" * 200_000), 0)
    assert of_kind(sheet, Words)[-1].text.endswith("399,400 more characters")

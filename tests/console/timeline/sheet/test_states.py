"""The sheets of line states, pulses and words."""

from __future__ import annotations

import pytest

from console.timeline.sheet.lines import Change, RawBytes, Words
from tests.console.timeline.sheet.benches import field, of_kind, sheet_of
from tests.console.watch.runs import MS, S, Tables, table, transaction


def held(state: str, **more: object) -> dict[str, object]:
    row: dict[str, object] = {"start_ns": S, "end_ns": 3 * S, "source": "wire", "bus": "i2c-1"}
    return row | {"state": state, "bit_slot": None, "turn": "unknown"} | more


def state_tables(row: dict[str, object]) -> Tables:
    before = transaction(S - MS, ended_by="stuck", end_ns=3 * S)
    return {
        "line_states": table("line_states", [row]),
        "transactions": table("transactions", [before]),
    }


@pytest.mark.parametrize(
    ("slot", "expected"),
    [
        (8, "8 of 0 to 8, the acknowledge"),
        (0, "0 of 0 to 8, bit 7 of a byte"),
        (7, "7 of 0 to 8, bit 0 of a byte"),
        (None, "not inside a byte"),
    ],
)
def test_where_in_a_byte_a_line_was_held_is_told(slot: int | None, expected: str) -> None:
    # UM10204 section 3.1.5: most significant bit first, then the acknowledge
    tables = state_tables(held("sda-held", bit_slot=slot, turn="target"))
    sheet = sheet_of(tables, "line_states", 0)
    assert field(sheet, "bit slot").value == expected
    assert field(sheet, "SDA's turn").value == "the target's"


def test_a_held_line_says_how_long_and_in_which_transaction_and_blames_nobody() -> None:
    tables = state_tables(held("sda-held", bit_slot=3, turn="unknown"))
    sheet = sheet_of(tables, "line_states", 0)
    assert sheet.title == "SDA held low on i2c-1"
    assert field(sheet, "lasted").value == "2 s"
    assert field(sheet, "inside").value == "write 2E"
    assert field(sheet, "SDA's turn").value == "cannot say"
    assert "Whose pin held it cannot be told from two lines." in [
        line.text for line in of_kind(sheet, Words)
    ]


def test_what_was_not_observed_claims_nothing() -> None:
    tables = state_tables(held("not-observed"))
    sheet = sheet_of(tables, "line_states", 0)
    assert sheet.problems == ()
    assert of_kind(sheet, Words)[0].text.startswith("Nothing was recorded here.")


def test_a_pulse_is_compared_with_the_one_before_it_on_its_line() -> None:
    rows = [
        {"start_ns": k * S, "end_ns": k * S + w, "source": "wire", "line": "servo", "high": True}
        | {"width_ns": w, "period_ns": 20 * MS}
        for k, w in enumerate((1_500_000, 1_900_000))
    ]
    sheet = sheet_of({"pulses": table("pulses", rows)}, "pulses", 1)
    width, period = field(sheet, "width"), field(sheet, "period")
    assert (width.value, width.was, width.change) == ("1.9 ms", "1.5 ms", Change.DIFFERS)
    assert period.change is Change.SAME


def test_a_word_is_compared_with_the_last_good_one_of_its_device() -> None:
    common = {"source": "wire", "bus": "spi", "device": "gauge", "bits": 40, "problems": []}
    rows = [
        common | {"start_ns": k * S, "end_ns": k * S + 9, "mosi": "0102030405", "miso": miso}
        for k, miso in enumerate(("0000000000", "00000000ff"))
    ]
    sheet = sheet_of({"words": table("words", rows)}, "words", 1)
    miso = field(sheet, "MISO")
    assert (miso.value, miso.was) == ("00 00 00 00 FF", "00 00 00 00 00")
    assert field(sheet, "MOSI").change is Change.SAME
    assert of_kind(sheet, RawBytes)[-1].changes[-1] is Change.DIFFERS

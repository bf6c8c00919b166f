"""Limits, sequence, cadence, pattern, held lines, check codes: what each finds and leaves."""

from __future__ import annotations

import json

import pytest

from console.watch.cadence import SILENCES_TOLD, Cadence
from console.watch.check_code import CHECKS, PacketProblems, TransactionCheckCode
from console.watch.findings import TIMES_KEPT, Finding
from console.watch.limits import Limits
from console.watch.line_held import LineHeld
from console.watch.names import Names
from console.watch.pattern import Pattern
from console.watch.restarts import Restarts
from console.watch.rule import Batch, Rule
from console.watch.sequence import Sequence
from tests.console.watch.runs import MS, S, Tables, poll, table, transaction, watched

CAMERA = Names({("i2c-1", 0x2E): "camera"}, {"camera": "eye"}, {"i2c-1": "wire"})


def messages(*values: object, topic: str = "cap/level") -> Tables:
    rows = [
        {"t_ns": k * S, "source": "broker", "topic": topic, "fields": json.dumps({"n": value})}
        for k, value in enumerate(values)
    ]
    return {"messages": table("messages", rows)}


def prints(*seconds: float) -> Tables:
    rows = [{"t_ns": round(s * S), "source": "board", "text": "tick"} for s in seconds]
    return {"prints": table("prints", rows)}


def held(*spans: tuple[float, float], state: str = "sda-held") -> list[dict[str, object]]:
    return [
        {
            "start_ns": round(a * S),
            "end_ns": round(b * S),
            "source": "wire",
            "bus": "i2c-1",
            "state": state,
            "bit_slot": 3,
            "turn": "target",
        }
        for a, b in spans
    ]


def packets(*problems: list[str], device: str = "camera") -> Tables:
    rows = [
        {"start_ns": k * S, "device": device, "packet": "blocks", "problems": words}
        for k, words in enumerate(problems)
    ]
    return {"packets": table("packets", rows)}


def found(rule: Rule, tables: Tables, until_s: float = 100) -> list[Finding]:
    return watched([rule], tables, round(until_s * S))


def only(findings: list[Finding]) -> Finding:
    assert len(findings) == 1, [f.summary for f in findings]
    return findings[0]


# --- limits


def test_values_on_the_limits_are_allowed() -> None:
    rule = Limits("messages", "fields.n", Names(), low=2, high=5)
    assert found(rule, messages(2, 3, 5, 2)) == []


def test_values_beyond_a_limit_are_one_finding_with_all_places() -> None:
    rule = Limits("messages", "fields.n", Names(), high=5, name="level")
    finding = only(found(rule, messages(3, 7, 4, 9.5)))
    assert (finding.t_ns, finding.party, finding.source) == (1 * S, "broker", "broker")
    assert finding.evidence["times_ns"] == [1 * S, 3 * S]
    assert (finding.evidence["highest"], finding.evidence["of"]) == (9.5, 4)
    assert "cap/level: fields.n above 5 (level) in 2 rows of 4, highest 9.5" in finding.summary


def test_too_low_and_too_high_are_two_findings() -> None:
    rule = Limits("messages", "fields.n", Names(), low=2, high=5)
    assert [f.evidence["side"] for f in found(rule, messages(1, 7))] == ["below", "above"]


def test_limits_see_no_value_where_there_is_no_number() -> None:
    rule = Limits("messages", "fields.n", Names(), low=2)
    assert found(rule, messages("none", None, [1], True)) == []


def test_limits_hold_for_a_column_and_for_chosen_rows() -> None:
    rule = Limits("exchanges", "latency_ns", CAMERA, high=10 * MS, where="device = 'camera'")
    rows = [
        {"request_ns": k * S, "device": device, "outcome": "answered", "latency_ns": k * 8 * MS}
        for k, device in enumerate(["camera", "camera", "camera", "hopper"])
    ]
    finding = only(found(rule, {"exchanges": table("exchanges", rows)}))
    assert (finding.evidence["count"], finding.party, finding.source) == (1, "eye", "wire")


# --- sequence


def test_a_counter_that_goes_up_by_one_is_fine_over_its_usual_wraps() -> None:
    for last in (255, 65535, 4294967295):
        rule = Sequence("messages", "fields.n", Names())
        assert found(rule, messages(last - 1, last, 0, 1)) == []


def test_a_gap_says_how_many_numbers_are_missing() -> None:
    finding = only(found(Sequence("messages", "fields.n", Names()), messages(1, 2, 5, 6, 9)))
    assert (finding.evidence["kind"], finding.evidence["missing"]) == ("gap", 4)
    assert finding.evidence["times_ns"] == [2 * S, 4 * S]


def test_a_repeat_and_a_reset_are_told_apart() -> None:
    rule = Sequence("messages", "fields.n", Names())
    kinds = {f.evidence["kind"]: f.t_ns for f in found(rule, messages(41, 42, 42, 43, 1, 2))}
    assert kinds == {"repeat": 2 * S, "reset": 4 * S}


@pytest.mark.parametrize(
    ("values", "kind"), [((98, 99, 0), None), ((97, 98, 1), "gap"), ((50, 51, 0), "reset")]
)
def test_a_stated_wrap_tells_a_gap_from_a_reset(values: tuple[int, ...], kind: str | None) -> None:
    findings = found(Sequence("messages", "fields.n", Names(), wrap=100), messages(*values))
    assert [f.evidence["kind"] for f in findings] == ([] if kind is None else [kind])


def test_each_topic_counts_by_itself() -> None:
    one, two = messages(1, 2, 3)["messages"], messages(7, 8, 9, topic="cap/gate")["messages"]
    both = one.vstack(two).sort("t_ns", maintain_order=True)
    assert found(Sequence("messages", "fields.n", Names()), {"messages": both}) == []


# --- cadence


def test_a_silence_is_found_though_nothing_comes() -> None:
    rule = Cadence("prints", Names(), silence_ns=5 * S)
    finding = only(found(rule, prints(0, 1, 2), 10))
    assert (finding.t_ns, finding.severity) == (2 * S, "fault")
    assert finding.evidence["until_ns"] is None
    assert "nothing has come since 00:02.000 (8 s), after 3 events" in finding.summary


def test_a_silence_that_ended_says_when() -> None:
    rule = Cadence("prints", Names(), silence_ns=5 * S)
    finding = only(found(rule, prints(0, 1, 9, 10), 12))
    assert (finding.t_ns, finding.evidence["until_ns"]) == (1 * S, 9 * S)


def test_a_source_that_ended_is_not_silent() -> None:
    rule = Cadence("prints", Names(), silence_ns=5 * S)
    assert watched([rule], prints(0, 1, 2), 60 * S, observed_until={"board": 3 * S}) == []


def test_what_never_comes_at_all_is_silent_from_the_start() -> None:
    rule = Cadence("messages", Names(), silence_ns=5 * S, name="level")
    finding = only(found(rule, prints(0, 60), 60))
    assert finding.summary == "level: nothing came in 60 s"


def test_late_and_early_events_are_counted() -> None:
    rule = Cadence("prints", Names(), period_ns=S, tolerance=0.2)
    late, early = found(rule, prints(0, 1, 2.5, 3.5, 3.9, 4.9, 5.9), 6)
    assert [late.evidence["kind"], early.evidence["kind"]] == ["late", "early"]
    assert (late.evidence["times_ns"], early.evidence["times_ns"]) == (
        [round(2.5 * S)],
        [round(3.9 * S)],
    )


def test_many_silences_are_told_in_few_findings() -> None:
    rule = Cadence("prints", Names(), silence_ns=5 * S)
    findings = found(rule, prints(*range(0, 1000, 10)), 1000)
    assert len(findings) == SILENCES_TOLD + 2  # those told, the rest, and the last that lasts
    assert findings[SILENCES_TOLD].evidence["count"] == 99 - SILENCES_TOLD


# --- pattern, restarts


def test_rows_of_a_pattern_are_one_finding_each_subject() -> None:
    rule = Pattern("prints", "text LIKE 'ti%'", Names(), summary="ticks")
    finding = only(found(rule, prints(1, 2, 4)))
    assert finding.summary == "board: ticks, 3 times, first at 00:00.000"
    assert finding.evidence["times_ns"] == [1 * S, 2 * S, 4 * S]


def test_a_single_row_of_a_pattern_is_told_without_a_count() -> None:
    rule = Pattern("prints", "text = 'tick'", Names(), summary="a tick")
    assert only(found(rule, prints(3))).summary == "board: a tick, at 00:00.000"


def test_of_very_many_places_the_first_are_kept_and_all_counted() -> None:
    rule = Pattern("prints", "text = 'tick'", Names())
    finding = only(found(rule, prints(*range(3 * TIMES_KEPT)), 4000))
    assert finding.evidence["count"] == 3 * TIMES_KEPT
    assert finding.evidence["times_ns"] == [k * S for k in range(TIMES_KEPT)]
    assert finding.evidence["last_ns"] == (3 * TIMES_KEPT - 1) * S


def test_stamps_that_go_back_are_noted_and_lines_out_of_order_are_not() -> None:
    stamps = [1000, 5000, 4990, 9000, 12, 1012, None, 2012]
    rows = [
        {"t_ns": k * S, "source": "board", "native_ns": None if ms is None else ms * MS}
        for k, ms in enumerate(stamps)
    ]
    finding = only(found(Restarts(Names()), {"prints": table("prints", rows)}))
    assert (finding.severity, finding.evidence["times_ns"]) == ("note", [4 * S])


# --- held lines


def test_a_line_held_to_the_end_is_a_fault_that_says_whose_turn_it_was() -> None:
    tables = {
        "line_states": table("line_states", held((9, 60))),
        "transactions": table("transactions", poll(8 * S)),
    }
    finding = only(found(LineHeld(), tables, 60))
    assert (finding.severity, finding.t_ns, finding.evidence["over"]) == ("fault", 9 * S, False)
    assert "SDA held low since 00:01.000, to the end" in finding.summary
    assert "3 clocks into a byte, when it was the target's turn" in finding.summary


@pytest.mark.parametrize(
    ("transfer", "words"),
    [
        ({"ended_by": "stuck", "read": True, "data": ""}, "into a byte of a read from 0x41,"),
        ({"end_ns": 70 * S, "data": "10"}, "into a byte of a write to 0x41,"),
        ({"ended_by": "stuck", "address": 0x2A5, "address_bits": 10}, "of a write to 0x2A5,"),
        ({"ended_by": "cut", "address": None, "address_bits": 0, "read": None}, "of a transaction"),
        ({}, "into a byte, when"),  # it was over
    ],
)
def test_a_held_line_names_the_transaction_it_was_held_in(
    transfer: dict[str, object], words: str
) -> None:
    last = transaction(9 * S - MS) | {"address": 0x41} | transfer
    tables = {
        "line_states": table("line_states", held((9, 60))),
        "transactions": table("transactions", [*poll(8 * S), last]),
    }
    assert words in only(found(LineHeld(), tables, 60)).summary


def test_the_transaction_a_line_was_held_in_may_have_come_in_a_batch_before() -> None:
    rule = LineHeld()
    rule.begin(0)
    stuck = transaction(9 * S - MS, 0x41, ended_by="stuck")
    rule.feed(Batch({"transactions": table("transactions", [stuck])}, 9 * S - 1))
    rule.feed(Batch({"line_states": table("line_states", held((9, 60)))}, 60 * S))
    assert only(rule.finish(60 * S)).evidence["in"] == "a write to 0x41"


def test_short_holds_are_one_warning() -> None:
    tables = {
        "line_states": table("line_states", held((1, 1.15), (2, 2.04), (3, 3.01))),
        "transactions": table("transactions", poll(0) + poll(4 * S)),
    }
    finding = only(found(LineHeld(), tables))
    assert finding.severity == "warning"
    assert (finding.evidence["count"], finding.evidence["longest_ns"]) == (2, 150 * MS)


@pytest.mark.parametrize(("held_ns", "count"), [(24_999_999, 0), (25_000_000, 1)])
def test_a_hold_is_told_from_the_time_out_of_smbus_on(held_ns: int, count: int) -> None:
    """SMBus tTIMEOUT, min: a device may give up on a clock low for 25 ms."""
    span = {"start_ns": S, "end_ns": S + held_ns}
    (row,) = held((0, 0), state="scl-held")
    tables = {
        "line_states": table("line_states", [row | span]),
        "transactions": table("transactions", poll(0) + poll(4 * S)),
    }
    assert [f.evidence["count"] for f in found(LineHeld(), tables)] == [1] * count


def test_a_hold_of_seconds_that_ended_is_a_fault() -> None:
    tables = {
        "line_states": table("line_states", held((1, 4), state="scl-held")),
        "transactions": table("transactions", poll(0) + poll(5 * S)),
    }
    finding = only(found(LineHeld(), tables))
    assert (finding.severity, finding.evidence["over"]) == ("fault", True)


def test_the_limit_of_a_hold_and_the_bus_can_be_set() -> None:
    tables = {"line_states": table("line_states", held((1, 1.5), (2, 2.1)))}
    assert found(LineHeld(600 * MS), tables) == []
    assert found(LineHeld(bus="i2c-2"), tables) == []
    assert found(LineHeld(others=["i2c-1"]), tables) == []


# --- packets


def test_wrong_check_codes_are_one_finding_with_every_place() -> None:
    rule = PacketProblems("check-code", CAMERA, only=CHECKS)
    finding = only(found(rule, packets([], ["check-code"], ["range"], ["check-code", "range"])))
    assert finding.summary == (
        "camera: 2 packets of 4 with a wrong check code, first at 00:01.000, last at 00:03.000"
    )
    assert finding.evidence["times_ns"] == [1 * S, 3 * S]
    assert (finding.party, finding.source, finding.severity) == ("eye", "wire", "warning")


def test_a_single_wrong_check_code_has_one_time() -> None:
    rule = PacketProblems("check-code", CAMERA, only=CHECKS)
    finding = only(found(rule, packets([], ["check-code"])))
    assert finding.summary == "camera: 1 packet of 2 with a wrong check code, at 00:01.000"


def test_other_problems_of_packets_are_told_by_kind() -> None:
    rule = PacketProblems("packet-problem", CAMERA)
    findings = found(rule, packets(["check-code"], ["range"], ["enum", "range"], ["nack"]))
    assert {f.evidence["problem"]: f.evidence["count"] for f in findings} == {"range": 2, "enum": 1}


def test_a_rule_about_one_device_sees_no_other() -> None:
    tables = packets(["check-code"], device="hopper")
    assert found(PacketProblems("check-code", CAMERA, only=CHECKS, device="camera"), tables) == []
    assert found(PacketProblems("check-code", CAMERA, only=CHECKS, others=["hopper"]), tables) == []


def test_a_wrong_pec_of_a_ten_bit_address_is_told_of_that_target() -> None:
    rows = [transaction(s * S, 0x47, problems=["pec"], address_bits=s) for s in (7, 10)]
    told = found(TransactionCheckCode(CAMERA), {"transactions": table("transactions", rows)})
    devices = [each.evidence["device"] for each in told]
    assert devices == ["0x47 on i2c-1", "0x047 on i2c-1"]


def test_a_wrong_pec_is_told_of_the_target() -> None:
    rows = [transaction(s * S, problems=["pec"] if s in (3, 5) else []) for s in range(9)]
    tables = {"transactions": table("transactions", rows)}
    finding = only(found(TransactionCheckCode(CAMERA), tables))
    assert (finding.rule, finding.evidence["times_ns"]) == ("check-code", [3 * S, 5 * S])
    assert found(TransactionCheckCode(CAMERA, others=["camera"]), tables) == []

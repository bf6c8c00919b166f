"""Who stopped answering, after how much, when and how; and what is no stop."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pytest

from console.watch.findings import Finding
from console.watch.names import Names
from console.watch.stops import Limits
from console.watch.stops_answering import STOPS_TOLD, StopsAnswering
from tests.console.watch.runs import (
    MS,
    S,
    nack,
    nacks,
    poll,
    polls,
    table,
    transaction,
    watched,
)

CAMERA = Names({("i2c-1", 0x2E): "camera"}, bus_sources={"i2c-1": "wire"})
KEYS = {
    "device",
    "address",
    "transactions_answered",
    "polls_answered",
    "last_good_ns",
    "first_bad_ns",
    "elapsed_s",
    "transactions_unanswered",
    "how",
}


def found_in(
    rows: Iterable[Mapping[str, object]],
    until_s: float,
    *,
    names: Names = CAMERA,
    limits: Limits | None = None,
    observed_until: Mapping[str, int] | None = None,
    **tables: list[dict[str, object]],
) -> list[Finding]:
    frames = {"transactions": table("transactions", rows)}
    frames |= {name: table(name, more) for name, more in tables.items()}
    rule = StopsAnswering(names, limits)
    return watched([rule], frames, round(until_s * S), observed_until=observed_until)


def only(findings: list[Finding]) -> Finding:
    assert len(findings) == 1, [f.summary for f in findings]
    return findings[0]


def held(start_s: float, end_s: float, state: str) -> list[dict[str, object]]:
    return [
        {
            "start_ns": round(start_s * S),
            "end_ns": round(end_s * S),
            "source": "wire",
            "bus": "i2c-1",
            "state": state,
        }
    ]


def exchange(t_ns: int, outcome: str) -> dict[str, object]:
    return {"request_ns": t_ns, "device": "camera", "request": "ask", "outcome": outcome}


def test_a_camera_that_nacks_for_ever_is_told_with_its_count_and_time() -> None:
    finding = only(found_in(polls(range(2047)) + nacks(range(2047, 2100)), 2100))
    assert finding.severity == "fault"
    assert finding.t_ns == 2047 * S
    assert (finding.party, finding.source) == ("camera", "wire")
    assert finding.summary == (
        "camera stopped answering at 34:07.000 after 2,047 answered polls (34.1 min): "
        "address not acknowledged since"
    )
    assert finding.evidence == {
        "device": "camera",
        "address": 0x2E,
        "transactions_answered": 4094,
        "polls_answered": 2047,
        "last_good_ns": 2046 * S + 2 * MS,
        "first_bad_ns": 2047 * S,
        "elapsed_s": 2046.002,
        "transactions_unanswered": 53,
        "how": "address-nack",
    }


def test_an_address_without_a_name_is_watched_too() -> None:
    finding = only(found_in(polls(range(50)) + nacks(range(50, 60)), 60, names=Names()))
    assert finding.evidence["device"] == "0x2E on i2c-1"


def test_five_unanswered_polls_are_a_stop_and_four_at_the_end_are_not_yet() -> None:
    stopped = only(found_in(polls(range(50)) + nacks(range(50, 55)), 55))
    undecided = only(found_in(polls(range(50)) + nacks(range(50, 54)), 54))
    assert (stopped.severity, undecided.severity) == ("fault", "warning")
    assert "did not answer the last 4 polls of the run" in undecided.summary


def test_one_poll_left_at_the_end_is_the_last() -> None:
    undecided = only(found_in(polls(range(50)) + nacks(range(50, 51)), 51))
    assert "did not answer the last poll of the run" in undecided.summary


def test_the_number_of_polls_can_be_set() -> None:
    rows = polls(range(50)) + nacks(range(50, 53))
    assert only(found_in(rows, 53, limits=Limits(after_polls=3))).severity == "fault"


def test_a_short_run_of_nacks_that_recovers_is_a_warning() -> None:
    rows = polls(range(30)) + nacks([30, 31]) + polls(range(32, 60)) + nacks([60])
    finding = only(found_in(rows + polls(range(61, 80)), 80))
    assert finding.severity == "warning"
    assert finding.summary == (
        "camera left 3 polls unanswered and then answered again (busy or missed), in 2 runs, "
        "the longest of 2 polls; first at 00:30.000"
    )
    assert finding.evidence["times_ns"] == [30 * S, 60 * S]


def test_a_single_short_run_has_no_longest_one() -> None:
    finding = only(found_in(polls(range(30)) + nacks([30, 31]) + polls(range(32, 60)), 60))
    assert finding.summary == (
        "camera left 2 polls unanswered and then answered again (busy or missed), in 1 run; "
        "first at 00:30.000"
    )
    assert finding.evidence["longest_polls"] == 2
    assert set(finding.evidence) > KEYS


def test_a_long_run_that_recovers_is_a_fault_with_its_recovery() -> None:
    rows = polls(range(50)) + nacks(range(50, 150)) + polls(range(150, 200))
    finding = only(found_in(rows, 200))
    assert finding.severity == "fault"
    assert finding.evidence["recovered_ns"] == 150 * S
    assert finding.evidence["polls_answered"] == 50
    assert set(finding.evidence) == KEYS | {"recovered_ns"}


def test_counts_begin_again_after_a_recovery() -> None:
    rows = polls(range(50)) + nacks(range(50, 60)) + polls(range(60, 90)) + nacks(range(90, 99))
    first, second = found_in(rows, 99)
    assert [f.evidence["polls_answered"] for f in (first, second)] == [50, 30]
    assert second.evidence["elapsed_s"] == pytest.approx(29.002)


def test_a_device_that_comes_and_goes_all_day_is_told_in_few_findings() -> None:
    rows = []
    for k in range(40):
        rows += polls(range(20 * k, 20 * k + 10)) + nacks(range(20 * k + 10, 20 * k + 20))
    findings = found_in(rows + polls(range(800, 810)), 810)
    assert len(findings) == STOPS_TOLD + 1
    assert findings[-1].evidence["more"] == 40 - STOPS_TOLD - 1


def test_a_driver_that_retries_without_pause_counts_time_and_not_tries() -> None:
    few = polls(range(60)) + nacks(np.arange(60, 60.5, 0.005)) + polls(range(61, 90))
    many = polls(range(60)) + nacks(np.arange(60, 70, 0.005)) + polls(range(71, 90))
    assert only(found_in(few, 90)).severity == "warning"
    assert only(found_in(many, 90)).severity == "fault"


def test_a_camera_that_acknowledges_writes_but_not_reads_has_stopped() -> None:
    rows = polls(range(50))
    for s in range(50, 60):
        rows += [transaction(s * S), nack(s * S + 2 * MS, read=True)]
    finding = only(found_in(rows, 60))
    assert finding.evidence["how"] == "address-nack"
    assert finding.evidence["polls_answered"] == 50
    assert finding.evidence["transactions_answered"] == 101
    assert finding.evidence["last_good_ns"] == 50 * S
    assert finding.evidence["first_bad_ns"] == 50 * S + 2 * MS


def test_refused_bytes_are_a_data_nack() -> None:
    rows = [transaction(s * S) for s in range(50)]
    rows += [transaction(s * S, data="1020", acks="AN") for s in range(50, 60)]
    assert only(found_in(rows, 60)).evidence["how"] == "data-nack"


def test_the_nack_that_ends_a_read_is_no_refusal() -> None:
    assert found_in(polls(range(100)), 100) == []


def test_varied_replies_that_turn_to_nothing_but_ff_are_filler() -> None:
    rows = [r for s in range(60) for r in poll(s * S, data=f"0a{s:02x}1b")]
    rows += [r for s in range(60, 70) for r in poll(s * S, data="ffffff")]
    finding = only(found_in(rows, 70))
    assert finding.evidence["how"] == "filler"
    assert finding.evidence["polls_answered"] == 60
    assert finding.evidence["transactions_unanswered"] == 10


def test_ff_that_was_usual_before_is_no_filler() -> None:
    rows = [r for s in range(60) for r in poll(s * S, data="ffff" if s % 3 else "0a1b")]
    rows += [r for s in range(60, 80) for r in poll(s * S, data="ffff")]
    assert found_in(rows, 80) == []


def test_one_byte_of_ff_is_no_filler() -> None:
    rows = [r for s in range(60) for r in poll(s * S, data=f"{s:02x}")]
    rows += [r for s in range(60, 80) for r in poll(s * S, data="ff")]
    assert found_in(rows, 80) == []


@pytest.mark.parametrize(
    ("data", "how"), [("0a1b2c", "invalid"), ("ffffff", "filler"), ("000000", "filler")]
)
def test_replies_that_are_not_valid_for_long_are_a_stop(data: str, how: str) -> None:
    rows = polls(range(50)) + [r for s in range(50, 60) for r in poll(s * S, data=data)]
    told = [exchange(s * S, "answered" if s < 50 else "invalid") for s in range(60)]
    finding = only(found_in(rows, 60, exchanges=told))
    assert finding.evidence["how"] == how
    assert finding.evidence["polls_answered"] == 50


def test_single_wrong_replies_count_as_answered_polls() -> None:
    rows = polls(range(50)) + nacks(range(50, 60))
    told = [exchange(s * S, "invalid" if s in (7, 23) else "answered") for s in range(50)]
    finding = only(found_in(rows, 60, exchanges=told))
    assert finding.evidence["polls_answered"] == 50


def test_polls_are_exchanges_where_packets_are_described() -> None:
    rows = [transaction(k * 10 * MS) for k in range(30)]  # set-up writes that are no polls
    rows += polls(range(1, 51)) + nacks(range(51, 60))
    told = [exchange(s * S, "answered") for s in range(1, 51)]
    finding = only(found_in(rows, 60, exchanges=told))
    assert finding.evidence["polls_answered"] == 50
    assert finding.evidence["transactions_answered"] == 130


def test_an_exchange_without_a_reply_is_no_answered_poll() -> None:
    rows = [transaction(s * S) for s in range(50)] + nacks(range(50, 60))
    told = [exchange(s * S, "none" if s in (7, 8) else "answered") for s in range(50)]
    finding = only(found_in(rows, 60, exchanges=told))
    assert finding.evidence["polls_answered"] == 48


def test_an_address_that_never_answered_is_a_note_and_a_scan_one_line() -> None:
    scan = [nack(50 * S + k * MS, k) for k in range(0x08, 0x78) if k != 0x2E]
    finding = only(found_in(polls(range(50)) + scan + polls(range(51, 80)), 80))
    assert (finding.rule, finding.severity) == ("never-answered", "note")
    assert len(finding.evidence["addresses"]) == 111


@pytest.mark.parametrize(
    ("addresses", "words"),
    [
        ([0x30], "i2c-1: 1 address never answered: 0x30, asked 3 times in all"),
        ([0x30, 0x41], "i2c-1: 2 addresses never answered: 0x30, 0x41, asked 6 times in all"),
    ],
)
def test_addresses_that_never_answered_are_counted_in_words(
    addresses: list[int], words: str
) -> None:
    scan = [nack(50 * S + a * MS + k, a) for a in addresses for k in range(3)]
    finding = only(found_in(polls(range(50)) + scan + polls(range(51, 80)), 80))
    assert finding.summary == words


def test_a_named_device_that_never_answered_is_a_warning() -> None:
    finding = only(found_in(nacks(range(50)), 50))
    assert (finding.rule, finding.severity) == ("never-answered", "warning")


def test_an_address_asked_again_and_again_is_more_than_a_scan() -> None:
    finding = only(found_in(polls(range(50)) + nacks(range(50), 0x30), 50))
    assert (finding.rule, finding.severity) == ("never-answered", "warning")


def test_a_device_with_a_rule_of_its_own_that_never_answered_is_as_grave_as_the_rule() -> None:
    rule = StopsAnswering(CAMERA, only="camera")
    tables = {"transactions": table("transactions", nacks(range(50)))}
    finding = only(watched([rule], tables, 50 * S))
    assert (finding.rule, finding.severity) == ("never-answered", "fault")


def test_replies_that_were_never_valid_are_not_called_a_stop() -> None:
    rows = [transaction(s * S) for s in range(50)]
    told = [exchange(s * S, "invalid") for s in range(50)]
    finding = only(found_in(rows, 50, exchanges=told))
    assert finding.summary.startswith("camera gave no valid answer at all, from 00:00.000 on")


def test_a_device_that_needs_time_after_power_up_is_healthy() -> None:
    assert found_in(nacks(range(20)) + polls(range(20, 60)), 60) == []


def test_a_memory_polled_while_it_writes_is_healthy() -> None:
    rows: list[dict[str, object]] = []
    for k in range(200):  # a page written every 10 ms; busy for 5 of them
        start = k * 10 * MS
        rows.append(transaction(start, data="00" * 16, acks="A" * 16))
        rows += [nack(start + 2 * MS + j * 300_000) for j in range(15)]
    assert found_in([*rows, transaction(2 * S)], 3) == []


def test_the_end_of_a_capture_is_no_stop() -> None:
    other = polls(np.arange(60) + 0.3, 0x41)
    assert found_in(polls(range(60)) + other, 1000, observed_until={"wire": 60 * S}) == []


def test_a_target_no_longer_asked_while_others_are_has_stopped() -> None:
    rows = polls(range(100)) + polls(np.arange(300) + 0.3, 0x41)
    finding = only(found_in(rows, 300, names=CAMERA))
    assert finding.evidence["how"] == "not-asked"
    assert finding.evidence["first_bad_ns"] == 100 * S
    assert finding.evidence["transactions_unanswered"] == 0


def test_a_silent_bus_under_a_controller_that_prints_has_stopped() -> None:
    prints = [{"t_ns": s * S, "source": "controller", "text": "tick"} for s in range(300)]
    finding = only(
        found_in(polls(range(100)), 300, prints=prints, observed_until={"wire": 300 * S})
    )
    assert finding.evidence["how"] == "not-asked"


def test_prints_after_the_capture_ended_say_nothing_of_the_bus() -> None:
    prints = [{"t_ns": s * S, "source": "controller", "text": "tick"} for s in range(300)]
    seen = {"wire": 101 * S}
    assert found_in(polls(range(100)), 300, prints=prints, observed_until=seen) == []
    assert found_in(polls(range(100)), 300, prints=prints) == []


def test_a_pause_in_what_was_observed_is_no_silence() -> None:
    rows = polls(range(100)) + polls(np.arange(300) + 0.3, 0x41)
    gap = held(100.5, 290, "not-observed")
    assert found_in(rows, 300, line_states=gap) == []


def test_a_target_asked_again_after_a_long_silence_is_a_warning() -> None:
    rows = polls(range(100)) + polls(range(200, 300)) + polls(np.arange(300) + 0.3, 0x41)
    finding = only(found_in(rows, 300))
    assert (finding.severity, finding.evidence["how"]) == ("warning", "not-asked")
    assert finding.evidence["recovered_ns"] == 200 * S


def test_a_target_read_only_at_the_start_is_not_missed() -> None:
    boot = [r for k in range(64) for r in poll(k * MS * 5, 0x50)]
    assert found_in(boot + polls(range(1, 300)), 300) == []


@pytest.mark.parametrize(
    ("state", "how"),
    [("sda-held", "sda-stuck"), ("scl-held", "scl-stuck"), ("both-held", "scl-stuck")],
)
def test_a_line_held_through_the_silence_says_how(state: str, how: str) -> None:
    finding = only(found_in(polls(range(60)), 120, line_states=held(59.5, 120, state)))
    assert finding.evidence["how"] == how
    assert finding.evidence["first_bad_ns"] == 59.5 * S
    # Nobody asked it: a target beside the one that holds the bus is no culprit.
    asked = "camera could not be asked from 00:59.500 after 60 answered polls"
    assert finding.summary.startswith(asked)


def test_a_line_held_for_less_than_the_polls_that_count_is_no_stop() -> None:
    rows = polls(range(60)) + polls(range(63, 90))
    assert found_in(rows, 90, line_states=held(60, 62.5, "sda-held")) == []


def test_a_line_let_go_again_is_a_stop_that_recovered() -> None:
    rows = polls(range(60)) + polls(range(90, 120))
    finding = only(found_in(rows, 120, line_states=held(59.5, 89.5, "sda-held")))
    assert finding.evidence["recovered_ns"] == 90 * S
    # The line was let go before it was asked again: the time is not how long it was held.
    assert finding.summary.endswith("SDA held low; it answered again 30.5 s later")


def test_a_target_that_does_not_answer_once_the_line_is_free_has_not_recovered() -> None:
    rows = polls(range(60)) + nacks(range(90, 120))
    finding = only(found_in(rows, 120, line_states=held(59.5, 89.5, "sda-held")))
    assert "recovered_ns" not in finding.evidence
    assert finding.evidence["polls_answered"] == 60
    assert finding.evidence["transactions_unanswered"] == 30
    assert finding.summary.endswith(": SDA held low")  # no longer, and it never answered again


def test_cut_transactions_say_nothing() -> None:
    cut = nack(60 * S, ended_by="cut", problems=["ends-cut"])
    assert found_in([*polls(range(60)), cut], 61) == []


def test_transfers_given_up_inside_a_byte_again_and_again_are_a_stop() -> None:
    given_up = [
        transaction(s * S, data="", acks="", ended_by="start", problems=["cut-in-byte", "no-stop"])
        for s in range(60, 80)
    ]
    finding = only(found_in([*polls(range(60)), *given_up], 80))
    assert (finding.evidence["how"], finding.t_ns) == ("invalid", 60 * S)
    assert finding.summary.endswith("no valid reply since")


def test_a_target_polled_ten_times_a_second_is_missed_within_two() -> None:
    rows = polls(np.arange(200) / 10) + polls(np.arange(219) / 10 + 0.03, 0x41)
    finding = only(found_in(rows, 22))
    assert finding.evidence["how"] == "not-asked"
    assert finding.t_ns == pytest.approx(20 * S, abs=S // 10)


def test_reserved_addresses_are_no_targets() -> None:
    rows = [transaction(s * S, 0x00) for s in range(20)] + nacks(range(20, 40), 0x00)
    assert found_in(rows + polls(np.arange(40) + 0.5), 40) == []


def test_a_rule_about_one_device_leaves_the_others_alone() -> None:
    rows = polls(range(50)) + nacks(range(50, 60)) + polls(np.arange(50) + 0.3, 0x41)
    frames = {"transactions": table("transactions", rows + nacks(np.arange(50, 60) + 0.3, 0x41))}
    one = watched([StopsAnswering(CAMERA, only="camera")], frames, 60 * S)
    rest = watched([StopsAnswering(CAMERA, others=["camera"])], frames, 60 * S)
    assert [f.evidence["address"] for f in one + rest] == [0x2E, 0x41]


def test_evidence_is_plain_data() -> None:
    evidence: Mapping[str, Any] = only(
        found_in(polls(range(50)) + nacks(range(50, 60)), 60)
    ).evidence
    assert {type(value) for value in evidence.values()} == {str, int, float}

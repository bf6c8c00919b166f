"""Messages that arrive and do not do what they should."""

from __future__ import annotations

import json
from collections import Counter

from captures_demo.simulator.corpus.diverter import COMMAND
from captures_demo.simulator.run import MessageRow
from tests.demo.corpus.evidence import MILLI, Seen, pair, run_of


def commands(seen: Seen, direction: str, from_ns: int = 0) -> list[MessageRow]:
    from_us = seen.run.host.read(from_ns) // 1_000
    rows = [row for row in seen.run.message_rows if row.topic == COMMAND]
    return [row for row in rows if row.direction == direction and row.t_us >= from_us]


def numbers(rows: list[MessageRow]) -> list[int]:
    return [json.loads(row.payload)["n"] for row in rows]


def carried_out(seen: Seen, from_ns: int = 0) -> list[int]:
    return [int(line.text.split()[2]) for line in seen.prints("divert: command", from_ns)]


def test_commands_vanish_after_a_reconnect_without_a_subscription() -> None:
    run, twin = pair("subscription-not-restored")
    after = run.wrong_ns + 20 * MILLI
    assert [said["clean"] for _, said in run.broker_log("connect")] == [True, True]
    assert len(run.broker_log("subscribe")) == 1
    assert len(twin.broker_log("subscribe")) == 2
    assert len(commands(run, "to-broker", after)) >= 3
    assert commands(run, "from-broker", after) == []
    assert carried_out(run, after) == []
    assert len(carried_out(twin, after)) >= 3
    published = [row for row in run.run.message_rows if row.topic == run.topic]
    assert published[-1].t_us > run.run.host.read(after) // 1_000


def test_all_messages_above_one_length_are_lost_and_none_below() -> None:
    run, twin = pair("oversize-drop")
    buffer = int(run.label.note.split()[2])
    sent = [m for m in run.truth.messages if m.topic == run.label.device]
    lost = [len(m.topic) + len(m.payload) for m in sent if m.lost]
    kept = [len(m.topic) + len(m.payload) for m in sent if not m.lost]
    assert len(lost) > 10
    assert max(kept) < min(lost)
    assert max(kept) + 5 <= buffer < min(lost) + 5
    assert len(run.prints(f"net: sent {run.label.device}")) == len(sent)
    assert twin.numbers_missing(twin.label.device or run.label.device) == []


def test_commands_are_delivered_again_after_reconnects_and_carried_out_again() -> None:
    run, twin = pair("redelivery")
    counted = Counter(carried_out(run))
    again = [number for number, times in counted.items() if times > 1]
    assert again
    delivered = Counter(numbers(commands(run, "from-broker")))
    assert set(again) <= {number for number, times in delivered.items() if times > 1}
    assert set(Counter(carried_out(twin)).values()) == {1}
    assert len(twin.broker_log("connect")) == len(run.broker_log("connect")) > 1


def test_dup_is_set_in_some_variants_only() -> None:
    marked = {
        any(row.dup for row in run_of("redelivery", variant).run.message_rows)
        for variant in range(3)
    }
    assert marked == {True, False}


def test_a_retained_command_moves_the_gate_within_ms_of_the_subscription() -> None:
    run, twin = pair("stale-retained-command")
    retained = [row for row in commands(run, "from-broker") if row.retain]
    assert len(retained) == 1
    subscribed = run.broker_log("subscribe")[-1][0]
    assert 0 <= retained[0].t_us / 1e6 - subscribed < 0.01
    moved = [line.t_ns for line in run.prints("divert: command 0")]
    assert len(moved) == 1
    assert moved[0] - run.prints("reset by")[-1].t_ns < 200 * MILLI
    assert not any(row.retain for row in twin.run.message_rows)
    assert len(twin.prints("reset by")) == 2  # it restarts as well


def test_the_keys_or_types_of_a_topic_change_at_a_boot_of_another_build() -> None:
    run, twin = pair("schema-drift")
    boot_ns = run.prints("build 42")[0].t_ns

    def shapes(seen: Seen, from_ns: int, until_ns: int) -> set[tuple[tuple[str, str], ...]]:
        sent = [m for m in seen.truth.messages if m.topic == run.topic]
        payloads = [json.loads(m.payload) for m in sent if from_ns <= m.sent_ns < until_ns]
        return {tuple((key, type(p[key]).__name__) for key in p) for p in payloads}

    before, after = shapes(run, 0, boot_ns), shapes(run, boot_ns, run.run.end_ns)
    assert len(before) == len(after) == 1
    assert before != after
    assert shapes(twin, 0, run.run.end_ns) == before


def test_commands_reach_the_board_and_nothing_comes_of_them() -> None:
    run, twin = pair("delivered-but-ignored")
    delivered = commands(run, "from-broker", run.wrong_ns - 10 * MILLI)
    assert len(delivered) >= 3
    assert carried_out(run, run.wrong_ns) == []
    assert len(carried_out(twin, run.wrong_ns - 10 * MILLI)) >= 3
    assert numbers(commands(run, "from-broker")) == numbers(commands(twin, "from-broker"))

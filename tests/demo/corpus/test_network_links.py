"""What is lost between board and broker, and who is thrown out."""

from __future__ import annotations

import itertools
import json
import re

from tests.demo.corpus.evidence import MILLI, SECOND, pair


def test_what_was_sent_as_the_link_dropped_is_missing_up_to_each_reconnect() -> None:
    run, twin = pair("at-most-once-loss")
    missing = run.numbers_missing(run.topic)
    assert missing
    assert twin.numbers_missing(twin.topic) == []
    lost = [m for m in run.truth.lost_messages if m.topic == run.topic]
    sent = {line.text for line in run.prints("net: sent")}
    drops = [line.t_ns for line in run.prints("net: link lost")]
    for message in lost:
        number = json.loads(message.payload)["n"]
        assert f"net: sent {run.topic} n {number}" in sent
        assert any(0 < drop - message.sent_ns < 400 * MILLI for drop in drops)
    assert twin.broker_log("disconnect") == []


def test_a_half_open_link_loses_what_is_sent_for_about_the_keep_alive() -> None:
    run, twin = pair("half-open")
    keepalive_s = run.broker_log("connect")[0][1]["keepalive"]
    noticed = run.prints("net: no ping answer")[0].t_ns
    assert keepalive_s <= (noticed - run.wrong_ns) / SECOND <= 1.5 * keepalive_s
    lost = [m for m in run.truth.lost_messages if m.sender == "controller"]
    assert len(lost) >= 5
    assert all(run.wrong_ns <= m.sent_ns <= noticed for m in lost)
    assert len(run.broker_log("connect")) == 2
    assert [m for m in twin.truth.lost_messages if m.sender == "controller"] == []


def test_two_addresses_with_one_client_id_throw_each_other_out_in_turn() -> None:
    run, twin = pair("client-id-duel")
    connects = [said["from"].split(":")[0] for _, said in run.broker_log("connect")][1:]
    assert len(connects) >= 6
    assert all(a != b for a, b in itertools.pairwise(connects))
    assert {said["client"] for _, said in run.broker_log("connect")} == {"controller"}
    assert {said["code"] for _, said in run.broker_log("disconnect")} == {0x8E}
    times = [at_s for at_s, _ in run.broker_log("connect")][1:]
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert max(gaps) - min(gaps) < 0.05  # the back-off
    assert len(twin.broker_log("connect")) == 1


def test_the_broker_drops_the_board_at_one_and_a_half_keep_alives_of_one_long_read() -> None:
    run, twin = pair("keep-alive-starvation")
    connects, dropped = run.broker_log("connect"), run.broker_log("disconnect")
    keepalive_s = connects[0][1]["keepalive"]
    held = max(run.pulses("scl", high=False), key=lambda pulse: pulse.width_ns)
    assert held.width_ns > 1.5 * keepalive_s * SECOND
    mine = [row for row in run.run.message_rows if row.client == "controller"]
    sent = [row.t_us for row in mine if row.direction == "to-broker"]
    last = max(t_us for t_us in sent if t_us / 1e6 < dropped[0][0])
    assert abs(dropped[0][0] - last / 1e6 - 1.5 * keepalive_s) < 0.3
    between = [p for p in run.truth.prints if held.start_ns + 50 * MILLI < p.t_ns < held.end_ns]
    assert between == []
    assert len(connects) == 2
    assert twin.broker_log("disconnect") == []


def test_reconnects_come_ever_faster_each_for_some_heap_and_the_bus_fails_after_them() -> None:
    run, twin = pair("reconnect-storm")
    times = [at_s for at_s, _ in run.broker_log("connect")][1:]
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert len(gaps) > 8
    assert gaps[0] > 4 * gaps[-1]
    heaps = [int(re.findall(r"heap (\d+)", p.text)[0]) for p in run.prints("net: heap")]
    steps = {a - b for a, b in itertools.pairwise(heaps)}
    assert len(steps - {0}) == 1  # 0 when all is gone
    assert min(steps) >= 0
    bad = [p for p in run.prints(run.part["name"]) if p.level == "W"]
    assert len(bad) >= 20
    assert bad[0].t_ns > run.wrong_ns + SECOND
    assert run.of_part(bad[0].t_ns) == []
    assert len(twin.broker_log("connect")) == 1

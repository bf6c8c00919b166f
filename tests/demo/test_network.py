"""Messages over hops that delay, lose and repeat."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from captures_demo.simulator.clocks import Clock
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.network import FROM_BROKER, TO_BROKER, Broker, Hop, Message
from captures_demo.simulator.schedule import Program, Schedule

HOST_NS = 1_795_597_920 * 10**9


def broker() -> Broker:
    return Broker(Schedule(), Clock("host", HOST_NS))


@given(seed=st.integers(0, 2**32), gaps=st.lists(st.integers(0, 5_000_000), max_size=60))
def test_hop_keeps_the_order_and_its_least_latency(seed: int, gaps: list[int]) -> None:
    hop = Hop(Dice(seed, "hop"), slow_rate=0.2)
    now_ns, before_ns = 0, -1
    for gap_ns in gaps:
        now_ns += gap_ns
        (arrival_ns,) = hop.carry("topic", now_ns)
        assert arrival_ns >= now_ns + hop.floor_ns
        assert arrival_ns > before_ns
        before_ns = arrival_ns


def test_loss_happens_at_its_rate() -> None:
    hop = Hop(Dice(4, "hop"), loss_rate=0.1)
    lost = sum(not hop.carry("topic", k * 10**9) for k in range(5_000))
    assert 430 < lost < 570  # 500, standard deviation 21


def test_lost_message_is_not_recorded_and_is_in_the_truth() -> None:
    net = broker()
    hop = Hop(Dice(1, "up"), loses={"a": (2,)})
    for number in range(1, 4):
        net.publish("board", "a", f'{{"n":{number}}}', hop)
    net._schedule.run_out()
    assert [json.loads(row.payload)["n"] for row in net.rows] == [1, 3]
    assert [message.lost for message in net.messages] == ["", TO_BROKER, ""]


def test_repeated_message_is_recorded_twice_and_marked() -> None:
    net = broker()
    net.publish("board", "a", "1", Hop(Dice(1, "up"), repeats={"a": (1,)}), qos=1)
    net._schedule.run_out()
    assert [row.dup for row in net.rows] == [False, True]
    assert net.messages[0].copies == 2
    assert [json.loads(row.line()).get("dup") for row in net.rows] == [None, True]


def test_subscriber_gets_what_its_hop_does_not_lose() -> None:
    net = broker()
    box = net.subscribe("a", Hop(Dice(2, "down"), loses={"a": (1,)}))
    got: list[Message] = []

    def reads() -> Program[None]:
        while True:
            got.append((yield box))

    net._schedule.start(reads())
    up = Hop(Dice(1, "up"))
    for payload in ("first", "second"):
        net.publish("desk", "a", payload, up)
    net.publish("desk", "b", "other topic", up)
    net._schedule.run_out()
    assert got == [Message("a", "second")]
    assert [message.lost for message in net.messages] == [FROM_BROKER, "", ""]


def test_recorded_stamp_is_the_host_clock_at_arrival() -> None:
    net = broker()
    net.publish("board", "a", '"x"', Hop(Dice(1, "up")), retain=True)
    net._schedule.run_out()
    text = net.rows[0].line().decode()
    arrived_us = (HOST_NS + net.messages[0].arrived_ns) // 1_000
    assert text.startswith(f'{{"t":{arrived_us // 10**6}.{arrived_us % 10**6:06d},"topic":"a"')
    assert json.loads(text)["retain"] is True

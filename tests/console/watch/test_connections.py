from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.watch.connections import TROUBLES, ConnectionTroubles
from console.watch.names import Names
from decoders.messages.mqtt_happenings import Happening
from tests.console.watch.runs import S, Tables, table, watched

HAPPENED = [
    (1, "malformed", "capline-01: [MQTT-2.2.2-2] flags 0000 in place of 0010"),
    (2, "connect", "capline-01: from 10.0.0.7:50112"),
    (3, "malformed", "capline-02: [MQTT-3.3.1-4] both QoS bits are set"),
    (4, "keep-alive", "capline-01: silent for 16 s"),
    (5, "closed", ""),
]


def run() -> Tables:
    rows = [
        {"t_ns": second * S, "source": "lan", "what": what, "detail": detail}
        for second, what, detail in HAPPENED
    ]
    return {"happenings": table("happenings", rows)}


@settings(deadline=None)
@given(cuts=st.lists(st.integers(0, 6 * S), max_size=4))
def test_one_finding_a_kind_says_how_often_and_what_the_first_was(cuts: list[int]) -> None:
    found = watched([ConnectionTroubles(Names())], run(), 6 * S, cuts)
    assert [(f.t_ns, f.rule, f.severity, f.summary) for f in found] == [
        (
            S,
            "mqtt-malformed",
            "warning",
            "lan: MQTT packets that break the standard, 2 times, first at 00:00.000: capline-01: "
            "[MQTT-2.2.2-2] flags 0000 in place of 0010",
        ),
        (
            4 * S,
            "mqtt-keep-alive",
            "fault",
            "lan: a client fell silent for longer than its keep alive, at 00:03.000: capline-01: "
            "silent for 16 s",
        ),
    ]
    assert found[0].evidence["details"] == [HAPPENED[0][2], HAPPENED[2][2]]


@pytest.mark.parametrize(
    "what", [Happening.CONNECT, Happening.ACCEPTED, Happening.DISCONNECT, Happening.LOST]
)
def test_what_happens_in_good_order_is_no_trouble(what: Happening) -> None:
    assert what not in TROUBLES

"""Pulses and pings as tables."""

from __future__ import annotations

import numpy as np

from console.timeline.tables.pulse_tables import pings_frame, pulses_frame
from decoders.buses.pulses import PulseDecoder
from decoders.buses.pulses_echo import pings_of
from tests.decoders.buses.pulse_lines import MS, US, edges_of, ranging


def test_a_first_pulse_has_no_period_and_a_line_of_its_own_kind_no_meaning() -> None:
    rows = PulseDecoder(0).feed(edges_of([[(MS, 2 * MS), (21 * MS, 22 * MS)]], 30 * MS))
    frame = pulses_frame(rows, "wire", "gate", high=True, distance_cm=np.array([np.nan, 4.5]))
    assert frame["period_ns"].to_list() == [None, 20 * MS]
    assert frame["distance_cm"].to_list() == [None, 4.5]
    assert frame["angle_deg"].to_list() == [None, None]


def test_pings_are_exchanges() -> None:
    edges = edges_of(ranging([5831, 0, 38_000]), 400 * MS)
    trigger, echo = PulseDecoder(0).feed(edges), PulseDecoder(1).feed(edges)
    frame = pings_frame(pings_of(trigger, echo, 30 * MS, edges.until_ns), echo, "hopper")
    assert frame["outcome"].to_list() == ["answered", "none", "invalid"]
    assert frame["reply"].to_list() == ["echo", None, "echo"]
    assert frame["latency_ns"].to_list() == [450 * US + 5831 * US, None, 450 * US + 38_000 * US]


def test_no_ping_is_an_empty_table() -> None:
    edges = edges_of([[], []], MS)
    trigger, echo = PulseDecoder(0).feed(edges), PulseDecoder(1).feed(edges)
    assert pings_frame(pings_of(trigger, echo, MS, MS), echo, "hopper").height == 0

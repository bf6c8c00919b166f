"""What a driver counts becomes what happened."""

from __future__ import annotations

import os
import struct

import pytest

from console.bench.model import PrintsSource
from console.sources import port as port_module
from console.sources.port import PortSource
from console.sources.port_counters import Counters, counters_of, unpacked
from console.sources.port_device import DevicePort
from console.sources.records import HostClock
from tests.console.sources.live import Pty, Records

# linux/serial.h, struct serial_icounter_struct: cts dsr rng dcd rx tx frame overrun parity brk
# buf_overrun reserved[9].
ANSWER = struct.pack("=20i", 1, 2, 3, 4, 500, 600, 7, 8, 9, 10, 11, *[0] * 9)


def test_counters_stand_where_the_kernel_puts_them() -> None:
    assert unpacked(ANSWER) == Counters(framing=7, overrun=8, parity=9, breaks=10, buffer=11)


def test_only_what_is_new_is_told() -> None:
    now = Counters(framing=8, overrun=10, parity=9, breaks=12, buffer=12)
    assert now.since(unpacked(ANSWER)).told() == [
        ("break", "2 breaks"),
        ("framing", "1 framing error"),
        ("lost", "3 overruns: at least so many bytes are missing"),
    ]


def test_nothing_new_is_not_told() -> None:
    assert unpacked(ANSWER).since(unpacked(ANSWER)).told() == []


def test_a_counter_that_ran_over_counts_on() -> None:
    before = unpacked(struct.pack("=20i", *[0] * 8, -1, *[0] * 11))
    assert Counters(parity=1).since(before).told() == [("parity", "2 parity errors")]


def test_a_device_that_counts_nothing_is_passed_over() -> None:
    pty = Pty()
    counted = counters_of(pty.slave)
    pty.unplug()
    assert counted is None


def test_a_file_descriptor_that_is_no_device_counts_nothing() -> None:
    reading, writing = os.pipe()
    counted = counters_of(reading)
    os.close(reading)
    os.close(writing)
    assert counted is None


# No adapter is here whose line could be disturbed, so the driver's answer is stood in for.
def test_what_the_driver_counts_becomes_records(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = iter([Counters(), Counters(breaks=1, overrun=5)])
    last = Counters(breaks=1, overrun=5)
    monkeypatch.setattr(DevicePort, "counters", lambda self: next(answers, last))
    monkeypatch.setattr(port_module, "_COUNT_EVERY_NS", 0)
    pty, records = Pty(), Records()
    source = PortSource(PrintsSource(name="board", port=pty.path, baud=115_200))
    source.start(records.put, HostClock())
    records.wait_for("lost")
    source.stop()
    pty.unplug()
    assert records.happened() == ["opened", "break", "lost", "closed"]
    assert records.details("lost") == ["5 overruns: at least so many bytes are missing"]
    assert source.state().lost == 5

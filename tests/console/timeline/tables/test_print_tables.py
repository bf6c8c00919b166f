"""Which clock a log is timed by, and where its unstamped lines stand."""

from __future__ import annotations

from console.timeline.clocks import ClockMap, ClockPiece
from console.timeline.tables.print_tables import print_times, prints_frame
from decoders.prints.columns import Prints
from decoders.prints.prints import PrintDecoder

AXIS = ClockMap((ClockPiece("log", "firmware", 0, 0, 0, 0.0, 0, 0, 0, "axis", False),))


def decoded(data: bytes, arrival_ns: int | None = None) -> Prints:
    decoder = PrintDecoder("log", line=r"^\[(?P<ms>\d+)\] (?P<text>.*)$")
    return Prints.concat([decoder.feed(data, arrival_ns), decoder.finish()])


def test_a_line_without_a_stamp_stands_at_the_line_before_it() -> None:
    rows = decoded(b"no stamp yet\n[10] a\nmore of a\n[20] b\n")
    times = print_times(rows)
    frame = prints_frame(rows, times, "log", AXIS)
    assert times.clock == "firmware"
    assert frame["t_ns"].to_list() == [10_000_000, 10_000_000, 20_000_000, None]
    assert frame["text"].to_list() == ["a", "more of a", "b", "no stamp yet"]
    assert frame["native_ns"].to_list() == [10_000_000, None, 20_000_000, None]


def test_a_log_without_stamps_is_timed_by_arrival() -> None:
    rows = decoded(b"a\nb\n", arrival_ns=1_764_000_000 * 10**9)
    times = print_times(rows)
    assert (times.clock, times.is_wall) == ("host", True)
    assert times.native_ns.tolist() == [1_764_000_000 * 10**9] * 2


def test_a_log_with_no_times_at_all_has_none() -> None:
    rows = decoded(b"a\nb\n")
    times = print_times(rows)
    frame = prints_frame(rows, times, "log", AXIS)
    assert (times.clock, bool(times.timed.any())) == ("", False)
    assert frame["t_ns"].to_list() == [None, None]

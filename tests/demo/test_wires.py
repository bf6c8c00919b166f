"""Lines, and the waves a controller and its targets make on them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from captures_demo.simulator import random_traffic
from captures_demo.simulator.dice import Dice
from captures_demo.simulator.injectors import disturbed
from captures_demo.simulator.lines import Line, SpikeFilter, Trace
from captures_demo.simulator.schedule import Program, Schedule
from captures_demo.simulator.timing import FAST, FAST_PLUS, STANDARD, BusTiming


def changes(trace: Trace) -> list[tuple[int, int]]:
    t_ns, levels = trace.columns()
    return list(zip(t_ns.tolist(), levels.tolist(), strict=True))


def test_line_is_low_while_any_driver_pulls() -> None:
    schedule, trace = Schedule(), Trace()
    line = Line(schedule, trace, "scl", rise_ns=200)
    schedule.at(1_000, lambda _: line.pull(1))
    schedule.at(2_000, lambda _: line.pull(2))
    schedule.at(3_000, lambda _: line.release(1))
    schedule.at(9_000, lambda _: line.release(2))
    schedule.run_out()
    assert changes(trace) == [(1_000, 0), (9_200, 1)]


def test_line_pulled_again_before_it_has_risen_is_never_seen_high() -> None:
    schedule, trace = Schedule(), Trace()
    line = Line(schedule, trace, "scl", rise_ns=200)
    for at_ns, move in ((1_000, line.pull), (2_000, line.release), (2_199, line.pull)):
        schedule.at(at_ns, move, 1)
    schedule.at(5_000, line.release, 1)
    schedule.run_out()
    assert changes(trace) == [(1_000, 0), (5_200, 1)]


def test_rise_jitter_only_delays() -> None:
    schedule, trace = Schedule(), Trace()
    line = Line(schedule, trace, "scl", rise_ns=200, jitter=Dice(1, "rise"), jitter_ns=30)
    for k in range(500):
        schedule.at(1_000 * k, line.pull, 1)
        schedule.at(1_000 * k + 500, line.release, 1)
    schedule.run_out()
    rises = trace.columns()[0][1::2] - 500 - 1_000 * np.arange(500)
    assert rises.min() == 200
    assert rises.max() == 230


def test_wait_for_a_rise_ends_at_its_limit_when_the_line_is_held() -> None:
    schedule, trace = Schedule(), Trace()
    line = Line(schedule, trace, "scl", rise_ns=200)
    seen: list[tuple[int, bool]] = []

    def waits() -> Program[None]:
        for _ in range(2):
            risen = yield line.rise_within(5_000)
            seen.append((schedule.now_ns, risen))

    line.pull(1)
    schedule.start(waits())
    schedule.at(8_000, line.release, 1)
    schedule.run_out()
    assert seen == [(5_000, False), (8_200, True)]


def test_listener_that_moves_the_line_itself_is_refused() -> None:
    schedule = Schedule()
    line = Line(schedule, Trace(), "sda", rise_ns=0)
    other = Line(schedule, trace := Trace(), "other", rise_ns=0)
    line.listen(lambda high: line._see())
    with pytest.raises(RuntimeError, match="moved by a listener"):
        line.pull(1)
    assert other.high
    assert changes(trace) == []


def test_spike_filter_passes_what_lasts_and_nothing_shorter() -> None:
    schedule, trace = Schedule(), Trace()
    line = Line(schedule, trace, "scl", rise_ns=10)
    filtered = SpikeFilter(schedule, line, 50)
    seen: list[tuple[int, bool]] = []
    filtered.listen(lambda high: seen.append((schedule.now_ns, high)))
    schedule.at(100, lambda _: line.disturb(49))
    schedule.at(1_000, lambda _: line.disturb(51))
    schedule.run_out()
    assert changes(trace) == [(100, 0), (149, 1), (1_000, 0), (1_051, 1)]
    assert seen == [(1_050, False), (1_101, True)]


def test_noise_is_seen_by_the_devices_at_its_mean_rate() -> None:
    schedule, trace = Schedule(), Trace()
    line = Line(schedule, trace, "scl", rise_ns=10)
    schedule.start(disturbed(line, Dice(2, "noise"), every_ns=10_000, widest_ns=60))
    schedule.run(10_000_000)
    assert 1_800 < len(changes(trace)) < 2_200


# UM10204 Rev. 7 table 11 (page 44), in ns: Standard-mode, Fast-mode and Fast-mode Plus.
TABLE_11 = {
    "tHD;STA": (4_000, 600, 260),
    "tLOW": (4_700, 1_300, 500),
    "tHIGH": (4_000, 600, 260),
    "tSU;STA": (4_700, 600, 260),
    "tSU;DAT": (250, 100, 50),
    "tSU;STO": (4_000, 600, 260),
    "tBUF": (4_700, 1_300, 500),
}
VALID_AT_MOST = (3_450, 900, 450)  # tVD;DAT and tVD;ACK
PERIOD_AT_LEAST = (10_000, 2_500, 1_000)  # 1 / fSCL max
MODES = ((STANDARD, 300), (FAST, 300), (FAST_PLUS, 100))


def gaps(moments: npt.NDArray[np.int64], later: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """From each moment to the next of the later ones."""
    at = np.searchsorted(later, moments, side="right")
    fits = at < len(later)
    return np.asarray(later[at[fits]] - moments[fits], np.int64)


@pytest.mark.parametrize("jitter_ns", [0, 100])
@pytest.mark.parametrize("mode", [0, 1, 2])
def test_waves_keep_the_times_of_um10204_table_11(mode: int, jitter_ns: int) -> None:
    timing, rise_ns = MODES[mode]
    measured = measure(timing, rise_ns, jitter_ns)
    valid_ns = measured.pop("tVD")
    period_ns = measured.pop("period")
    assert {name: least for name, least in measured.items() if least < TABLE_11[name][mode]} == {}
    assert measured.keys() == TABLE_11.keys()
    assert valid_ns <= VALID_AT_MOST[mode]
    assert period_ns >= PERIOD_AT_LEAST[mode]


def measure(timing: BusTiming, rise_ns: int, jitter_ns: int) -> dict[str, int]:
    """Least time of each kind on the wires; most for tVD (of rising data, the slower)."""
    run = random_traffic(5, acts=40, timing=timing, rise_ns=rise_ns, jitter_ns=jitter_ns)
    t_ns, levels, _ = run.edges()
    scl, sda = levels & 1, levels >> 1 & 1
    moved = np.diff(levels, prepend=levels[:1])
    is_scl, is_sda = (moved & 1).astype(bool), (moved >> 1 & 1).astype(bool)
    rise, fall = t_ns[is_scl & (scl == 1)], t_ns[is_scl & (scl == 0)]
    start, stop = (t_ns[is_sda & (scl == 1) & (sda == level)] for level in (0, 1))
    data = t_ns[is_sda & (scl == 0)]
    again = start[np.searchsorted(fall, start) > 0]
    again = again[scl_high_since(again, rise) < scl_high_since(again, stop)]
    since_fall = data - fall[np.searchsorted(fall, data, side="right") - 1]
    return {
        "tHD;STA": int(gaps(start, fall).min()),
        "tLOW": int(gaps(fall, rise).min()),
        "tHIGH": int(gaps(rise, fall).min()),
        "tSU;STA": int(scl_high_since(again, rise).min()),
        "tSU;DAT": int(gaps(data, rise).min()),
        "tSU;STO": int(scl_high_since(stop, rise).min()),
        "tBUF": int(gaps(stop, start).min()),
        "tVD": int(since_fall.max()),
        "period": int(np.diff(rise).min()),
    }


def scl_high_since(
    moments: npt.NDArray[np.int64], earlier: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """From the last of the earlier ones to each moment; very long where there is none."""
    at = np.searchsorted(earlier, moments, side="right") - 1
    return np.asarray(np.where(at >= 0, moments - earlier[at], 2**60), np.int64)

"""What a servo's signal does wrong, and whether it is the signal that trembles."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench.lines import Servo
from console.timeline.tables.pulse_tables import pulses_frame
from console.watch.findings import Finding
from console.watch.rule import Batch
from console.watch.servo_signal import ServoSignal
from decoders.buses.pulses import PulseDecoder
from tests.decoders.buses.pulse_lines import MS, edges_of, servo

END_NS = 60_000 * MS


def table(widths_us: Sequence[float], until_ns: int = END_NS) -> pl.DataFrame:
    rows = PulseDecoder(0).feed(edges_of([servo(widths_us)], until_ns))
    return pulses_frame(rows, "wire", "gate", high=True)


def told(**keys: Any) -> Servo:
    return Servo(name="gate", source="wire", line="ch6", **keys)


def found(
    pulses: pl.DataFrame, cuts: Sequence[int] = (), until_ns: int | None = None, **keys: Any
) -> list[Finding]:
    rule = ServoSignal(told(**keys), "gate")
    rule.begin(0)
    end_ns = int(pulses["end_ns"].max() or 0) if until_ns is None else until_ns  # type: ignore[arg-type]
    findings: list[Finding] = []
    bounds = [-1, *sorted(cuts), END_NS]
    for low, high in pairwise(bounds):
        part = pulses.filter(pl.col("start_ns") > low, pl.col("start_ns") <= high)
        findings += rule.feed(Batch({"pulses": part}, high, {"wire": end_ns}))
    return findings + rule.finish(END_NS)


def words(findings: list[Finding]) -> dict[str, str]:
    return {f"{f.rule} {f.severity}": f.summary for f in findings}


def test_a_steady_signal_is_told_to_be_one() -> None:
    widths = [1000 + 10 * min(k, 90) for k in range(200)]
    assert words(found(table(widths))) == {
        "servo-signal note": "gate: the signal is steady: widths scatter by 0.0 us (0.00 deg); "
        "a servo that trembles on it does so by itself"
    }


@pytest.mark.parametrize("ramp_us", [0.0, 1.7])
def test_a_signal_that_trembles_is_told_beside_one_that_moves(ramp_us: float) -> None:
    noise = np.random.default_rng(1).normal(0, 12, 400)
    widths = (1200 + ramp_us * np.arange(400) + noise).tolist()
    (finding,) = found(table(widths))
    assert (finding.rule, finding.severity) == ("servo-signal", "warning")
    assert finding.evidence["scatter_us"] == pytest.approx(12, rel=0.15)
    assert finding.evidence["scatter_deg"] == pytest.approx(12 * 0.18, rel=0.15)
    assert "the signal itself trembles" in finding.summary


def test_single_pulses_that_jump_and_come_back_are_twitches() -> None:
    widths = [1500.0] * 200
    widths[50] = widths[120] = 1540
    (finding,) = found(table(widths))
    assert finding.severity == "warning"
    assert (finding.evidence["twitches"], finding.t_ns) == (2, 1_005 * MS)
    assert "2 pulses away and back by up to 7.2 deg, first at 00:01.005;" in finding.summary


def test_commands_beyond_the_travel_are_faults() -> None:
    widths = [1500.0] * 40 + [900.0] * 3 + [2004.0] * 3 + [2310.0] * 2
    short, wide = [f for f in found(table(widths)) if f.rule == "servo-travel"]
    assert (short.severity, short.evidence["count"]) == ("fault", 3)
    assert "down to 900.0 us, which is -18.0 deg" in short.summary
    assert (wide.severity, wide.evidence["count"]) == ("fault", 2)  # 4 us are within its jitter
    assert (
        "up to 2310.0 us, which is 235.8 deg: the motor may push against its stop" in wide.summary
    )


def test_the_travel_is_that_of_the_bench() -> None:
    pulses = table([600.0] * 40 + [2400.0] * 40)
    findings = found(pulses, travel_us=(500.0, 2500.0), travel_deg=(-90.0, 90.0))
    assert [f.rule for f in findings] == ["servo-signal"]


def test_missing_pulses_are_counted() -> None:
    widths = [1500.0] * 100
    widths[30] = widths[31] = widths[70] = 0
    (frames,) = [f for f in found(table(widths)) if f.rule == "servo-frames"]
    assert frames.summary == (
        "gate: 3 pulses missing in 2 places, one is due every 20 ms; the longest wait 60 ms, "
        "first at 00:00.645000"
    )
    assert frames.evidence["missing"] == 3


def test_a_signal_that_ends_is_told() -> None:
    findings = found(table([1500.0] * 50), until_ns=5_000 * MS)
    (over,) = [f for f in findings if f.rule == "servo-frames"]
    assert over.summary.startswith("gate: no pulse since 00:00.986500, to the end of what was seen")


def test_no_pulse_at_all_is_told_of_a_line_that_was_observed() -> None:
    assert words(found(table([]), until_ns=10)) == {"servo-frames warning": "gate: not one pulse"}


@pytest.mark.parametrize(("limit", "steps"), [(None, 0), (35.0, 2), (37.0, 0)])
def test_steps_wider_than_the_limit_are_told(limit: float | None, steps: int) -> None:
    widths = [1000.0] * 30 + [1200.0] * 30 + [1400.0] * 30  # 36 degrees each
    slew = [f for f in found(table(widths), slew_deg_per_frame=limit) if f.rule == "servo-slew"]
    assert [f.evidence["count"] for f in slew] == [steps] * bool(steps)


RESTLESS = [
    *[1500.0 + 7 * (k % 3) for k in range(30)],
    *[0.0, 0.0, 2400.0, 1500.0, 1540.0, 1500.0, 900.0],
    *[1300.0 + 11 * (k % 5) for k in range(30)],
]


@settings(max_examples=60, deadline=None)
@given(cuts=st.lists(st.integers(0, 1_500).map(lambda ms: ms * MS), max_size=12, unique=True))
def test_findings_do_not_depend_on_how_the_run_is_cut(cuts: list[int]) -> None:
    whole = found(table(RESTLESS), slew_deg_per_frame=5.0)
    assert found(table(RESTLESS), cuts, slew_deg_per_frame=5.0) == whole
    assert len(whole) == 5

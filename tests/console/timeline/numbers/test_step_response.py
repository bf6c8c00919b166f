from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from console.timeline.numbers.number_series import NumberSeries
from console.timeline.numbers.step_response import StepResponse, step_responses
from tests.console.timeline.number_series_made import series_of

S = 1_000_000_000
AT = 1_000 * S  # when the set point changes


@dataclass(frozen=True, slots=True)
class Loop:
    num: tuple[float, ...]
    den: tuple[float, ...]
    span_s: float


def low_pass(zeta: float, wn: float, span_s: float) -> Loop:
    return Loop((wn * wn,), (1.0, 2 * zeta * wn, wn * wn), span_s)


def pi_loop(kp: float, ki: float, span_s: float, gain: float = 2.0, tau: float = 5.0) -> Loop:
    """u = Kp e + Ki integral(e) around a plant K / (tau s + 1), closed."""
    return Loop((gain * kp, gain * ki), (tau, 1 + gain * kp, gain * ki), span_s)


FIRST_ORDER = Loop((1.0,), (1.0, 1.0), 10.0)


def measured(
    loop: Loop,
    every_s: float = 0.001,
    *,
    noise: float = 0.0,
    start: float = 0.0,
    step: float = 1.0,
    seed: int = 1,
) -> NumberSeries:
    """The loop's response to a step at AT, with ten values before it (scipy.signal.step)."""
    t = np.arange(0, loop.span_s, every_s)
    _, y = signal.step((loop.num, loop.den), T=t)
    before = np.arange(-10, 0) * every_s
    values = np.concatenate([np.zeros(10), y])
    values = start + step * (values + np.random.default_rng(seed).normal(0, noise, len(values)))
    return series_of(AT + np.round(np.concatenate([before, t]) * S).astype(np.int64), values)


def set_point(*changes: tuple[float, float], before: float = 0.0) -> NumberSeries:
    """A set point told when it changes; seconds from AT, and its value."""
    times = [AT - 100 * S, *(AT + round(t * S) for t, _ in changes)]
    return series_of(times, [before, *(value for _, value in changes)])


def response(loop: Loop, every_s: float = 0.001, noise: float = 0.0) -> StepResponse:
    [found] = step_responses(set_point((0.0, 1.0)), measured(loop, every_s, noise=noise))
    return found


# Check cases: rise 10-90 %, settling 2 %, overshoot, peak time. First order: ln 9 and ln 50 times
# tau. Second order: overshoot exp(-pi zeta / sqrt(1 - zeta^2)), peak pi / (wn sqrt(1 - zeta^2));
# rise, settling and the two PI loops (which add a zero) by numeric simulation of the same loops.
CASES = [
    (FIRST_ORDER, 2.1972, 3.9120, 0.0, None),
    (low_pass(0.5, 2.0, 10.0), 0.8188, 4.0382, 16.303, 1.8138),
    (low_pass(0.7, 1.0, 14.0), 2.1262, 5.9788, 4.599, 4.3991),
    (low_pass(0.2, 1.0, 40.0), 1.2034, 19.6019, 52.662, 3.2064),
    (pi_loop(1.5, 0.6, 30.0), 2.393, 10.138, 7.669, 5.554),
    (pi_loop(0.5, 0.6, 30.0), 2.662, 16.329, 27.035, 6.085),
]


@pytest.mark.parametrize(("loop", "rise_s", "settling_s", "overshoot", "peak_s"), CASES)
def test_published_check_cases_come_out(
    loop: Loop, rise_s: float, settling_s: float, overshoot: float, peak_s: float | None
) -> None:
    found = response(loop)
    assert found.rise_ns is not None
    assert found.settling_ns is not None
    assert found.rise_ns / S == pytest.approx(rise_s, abs=0.001)
    assert found.settling_ns / S == pytest.approx(settling_s, abs=0.001)
    assert found.overshoot_percent == pytest.approx(overshoot, abs=0.001)
    assert (found.peak_ns and found.peak_ns / S) == pytest.approx(peak_s, abs=0.0015)
    assert found.steady_error == pytest.approx(0, abs=0.004)
    assert found.remarks == ()


# Second-order low-pass: overshoot = exp(-pi zeta / sqrt(1 - zeta^2)); about 4 / (zeta wn) to 2 %
# (exp(-4) = 1.8 %), a rule of thumb that the true crossing stays below by up to a sixth.
@pytest.mark.parametrize("zeta", [0.2, 0.3, 0.4, 0.5, 0.6, 0.7])
@pytest.mark.parametrize("wn", [0.5, 3.0, 20.0])
def test_second_order_loops_agree_with_the_textbook_formulas(zeta: float, wn: float) -> None:
    found = response(low_pass(zeta, wn, 12 / (zeta * wn)), every_s=0.002 / (zeta * wn))
    assert found.overshoot_percent == pytest.approx(
        100 * np.exp(-np.pi * zeta / np.sqrt(1 - zeta**2)), abs=0.05
    )
    assert found.settling_ns is not None
    assert 0.8 * 4 / (zeta * wn) < found.settling_ns / S < 1.05 * 4 / (zeta * wn)


# First order: 10 to 90 % takes ln 9 = 2.197 tau, "2.2 tau".
@pytest.mark.parametrize("tau", [0.05, 1.0, 30.0])
def test_first_order_rise_is_2_2_time_constants(tau: float) -> None:
    found = response(Loop((1.0,), (tau, 1.0), 8 * tau), every_s=tau / 200)
    assert found.rise_ns is not None
    assert found.rise_ns / S == pytest.approx(np.log(9) * tau, rel=0.001)


# Common practice for the speed loop of a small motor: settled 0.2 to 0.3 s after a step.
def test_a_usual_speed_loop_settles_within_a_fifth_to_a_third_of_a_second() -> None:
    speed, wanted, integral, dt = 0.0, 1500.0, 0.0, 0.001
    values = [0.0] * 20
    for _ in range(1_000):  # motor of 80 ms, gain 2 rpm per percent, PI every millisecond
        integral += (wanted - speed) * dt
        duty = 1.7 * (wanted - speed) / 2 + 19.0 * integral / 2
        speed += dt * (2 * duty - speed) / 0.080
        values.append(speed)
    t_ns = AT + np.arange(-20, 1_000) * 1_000_000
    [found] = step_responses(set_point((0.0, wanted)), series_of(t_ns, values))
    assert found.settling_ns is not None
    assert 0.2 < found.settling_ns / S < 0.3
    assert found.steady_error == pytest.approx(0, abs=1)


@pytest.mark.parametrize("loop", [low_pass(0.5, 2.0, 10.0), low_pass(0.7, 1.0, 14.0)])
@pytest.mark.parametrize("noise", [0.005, 0.02, 0.05])
def test_noise_moves_the_figures_little(loop: Loop, noise: float) -> None:
    clean, noisy = response(loop), response(loop, noise=noise)
    assert clean.rise_ns is not None
    assert clean.settling_ns is not None
    assert clean.overshoot_percent is not None
    assert noisy.rise_ns == pytest.approx(clean.rise_ns, rel=0.08)
    assert noisy.settling_ns == pytest.approx(clean.settling_ns, rel=0.08)
    assert noisy.overshoot_percent == pytest.approx(clean.overshoot_percent, abs=1.5)


def test_noise_too_wide_to_average_gives_no_settling_time_and_says_so() -> None:
    [found] = step_responses(
        set_point((0.0, 1.0)), measured(low_pass(0.5, 2.0, 10.0), 0.05, noise=0.05)
    )
    assert found.settling_ns is None
    assert found.steady_error is None
    assert "settling cannot be told: noise is wider than the 2% band" in found.remarks


def test_coarse_noisy_values_are_averaged_and_that_is_told() -> None:
    [found] = step_responses(
        set_point((0.0, 1.0)), measured(low_pass(0.7, 1.0, 14.0), 0.3, noise=0.006)
    )
    assert found.settling_ns is not None
    assert found.settling_ns / S == pytest.approx(5.98, abs=2 * 0.3)
    assert found.remarks == ("settling is that of means of 5 values",)


def test_noise_alone_is_no_overshoot() -> None:
    found = response(FIRST_ORDER, noise=0.02)
    assert found.overshoot_percent == 0.0
    assert found.peak_ns is None


@pytest.mark.parametrize("every_s", [0.05, 0.2])
def test_coarse_sampling_keeps_the_figures_near(every_s: float) -> None:
    found = response(low_pass(0.5, 2.0, 10.0), every_s)
    assert found.rise_ns is not None
    assert found.settling_ns is not None
    assert found.rise_ns / S == pytest.approx(0.8188, abs=every_s / 5)
    assert found.settling_ns / S == pytest.approx(4.0382, abs=every_s / 5)


def test_a_rise_between_two_values_is_told_as_such() -> None:
    found = response(low_pass(0.5, 2.0, 10.0), 1.0)
    assert found.remarks == ("values come every 1 s: the rise is no longer",)


@pytest.mark.parametrize("span_s", [1.0, 2.0, 3.0, 3.5])
def test_a_stretch_too_short_to_settle_in_is_not_settled(span_s: float) -> None:
    found = response(Loop((1.0,), (1.0, 1.0), span_s))
    assert (found.settled, found.settling_ns, found.steady_error) == (False, None, None)
    assert found.remarks == ("not settled: it still moves; figures are against the set point",)


def test_a_loop_that_keeps_swinging_is_not_settled_but_has_an_overshoot() -> None:
    found = response(low_pass(0.0005, 2.0, 60.0))
    assert not found.settled
    assert found.overshoot_percent == pytest.approx(99.8, abs=0.3)
    assert found.remarks == ("not settled: it still swings; figures are against the set point",)


def test_a_loop_without_integral_part_comes_to_rest_beside_its_set_point() -> None:
    # Proportional only: y = K Kp / (1 + K Kp) of the set point.
    loop = Loop((4.0,), (1.0, 5.0), 4.0)
    found = response(loop)
    assert found.final_value == pytest.approx(0.8, abs=1e-3)
    assert found.steady_error == pytest.approx(0.2, abs=1e-3)
    assert found.rise_ns is not None
    assert found.rise_ns / S == pytest.approx(np.log(9) / 5, abs=1e-3)


def test_a_step_down_from_anywhere_is_measured_like_one_up_from_zero() -> None:
    loop = low_pass(0.5, 2.0, 10.0)
    [down] = step_responses(
        set_point((0.0, 300.0), before=1500.0), measured(loop, start=1500.0, step=-1200.0)
    )
    up = response(loop)
    assert (down.from_value, down.target) == (1500.0, 300.0)
    assert (down.rise_ns, down.settling_ns) == (up.rise_ns, up.settling_ns)
    assert down.overshoot_percent == pytest.approx(up.overshoot_percent)


def test_each_step_is_measured_until_the_next() -> None:
    first, loop = measured(FIRST_ORDER, 0.01), Loop((1.0,), (1.0, 1.0), 10.0)
    second = measured(loop, 0.01, start=1.0, step=2.0)
    t_ns = np.concatenate([first.t_ns, second.t_ns[10:] + 10 * S])
    both = series_of(t_ns, np.concatenate([first.values, second.values[10:]]))
    found = step_responses(set_point((0.0, 1.0), (10.0, 3.0)), both)
    assert [(each.at_ns, each.target) for each in found] == [(AT, 1.0), (AT + 10 * S, 3.0)]
    assert [each.settling_ns and round(each.settling_ns / S, 2) for each in found] == [3.91, 3.91]


def test_a_set_point_that_ramps_is_no_step() -> None:
    ramp = [(0.001 * k, 0.01 * k) for k in range(1, 101)]
    [found] = step_responses(set_point(*ramp), measured(FIRST_ORDER))
    assert (found.rise_ns, found.settling_ns, found.overshoot_percent) == (None, None, None)
    assert found.remarks[0] == "the set point moved 100 times before 5 values came: no step"


def test_a_value_that_stays_where_it_was_does_not_follow() -> None:
    still = series_of(AT + np.arange(-10, 1000) * 1_000_000, np.full(1_010, 7.0))
    [found] = step_responses(set_point((0.0, 100.0), before=7.0), still)
    assert found.rise_ns is None
    assert found.remarks == ("it does not follow: the value stays where it was",)


def test_a_gap_in_the_values_is_told() -> None:
    whole = measured(FIRST_ORDER, 0.01)
    keep = (whole.t_ns < AT + S) | (whole.t_ns > AT + 2 * S)
    [found] = step_responses(set_point((0.0, 1.0)), series_of(whole.t_ns[keep], whole.values[keep]))
    assert found.remarks == ("no values for 1.02 s",)


def test_a_set_point_repeated_with_every_row_has_as_many_steps_as_changes() -> None:
    rows = measured(FIRST_ORDER, 0.01)
    wanted = series_of(rows.t_ns, np.where(rows.t_ns >= AT, 1.0, 0.0))
    [found] = step_responses(wanted, rows)
    assert found.settling_ns is not None
    assert found.settling_ns / S == pytest.approx(3.912, abs=0.001)


def test_times_between_two_clocks_carry_both_bands() -> None:
    loop = measured(FIRST_ORDER, 0.01)
    target = series_of([AT - S, AT], [0.0, 1.0], band_ns=3_000_000)
    banded = series_of(loop.t_ns, loop.values, band_ns=2_000_000)
    [apart] = step_responses(target, banded)
    [together] = step_responses(target, banded, same_clock=True)
    assert (apart.band_ns, together.band_ns) == (5_000_000, 0)


def test_a_wider_band_settles_sooner() -> None:
    # First order: 5 % is reached after ln 20 time constants.
    [found] = step_responses(set_point((0.0, 1.0)), measured(FIRST_ORDER), settled_share=0.05)
    assert found.settling_ns is not None
    assert found.settling_ns / S == pytest.approx(np.log(20), abs=0.001)


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1])
def test_a_band_that_is_no_share_is_refused(share: float) -> None:
    empty: npt.NDArray[np.float64] = np.zeros(0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        step_responses(series_of([], empty), series_of([], empty), settled_share=share)


def test_without_changes_or_values_there_are_no_steps() -> None:
    assert step_responses(set_point(), measured(FIRST_ORDER)) == []
    assert step_responses(set_point((0.0, 1.0)), series_of([], [])) == []

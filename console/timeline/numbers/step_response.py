"""How a measured value follows its set point: rise, settling, overshoot and error of every step.

Definitions as python-control's `step_info` has them: rise from 10 to 90 % of the way, settling when
the value enters a band around its final value for good (2 % of the way unless said otherwise),
overshoot past the final value as a share of the way. The way leads from the value before the step
to the final value. That is the set point where the value comes to rest within the band around it
(an integrating loop), else the place where it does come to rest.

A value that has not come to rest has no settling time and no error; what can be said of it is
measured against the set point, and `remarks` says so. Noise that would leave the band is averaged
out: over a tenth of the rise for the rise, half of it for the overshoot and, but at least five
values, for settling, which is not told where that does not do. Crossings between two values are
interpolated, so times are good to about `sampled_ns`; a rise between two values is told as such.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from console.timeline.numbers.number_series import NumberSeries
from console.timeline.numbers.smoothing import averaged, noise_of
from decoders.durations import in_words

Int64s = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

SETTLED_SHARE = 0.02  # of the way; 5 % occurs as well
LEAST_VALUES = 5  # measured after a set point before anything is said of it
_LAST_SHARE = 0.1  # of the stretch, over which the final value is taken
_LEAST_LAST = 3
_DRIFT_SHARE = 0.25  # of the band: a mean that moves less between two such stretches is at rest
_NOISE_SHARE = 0.3  # of the stretch, at its end, over which the noise is taken
_NOISE_WIDTHS = 3.0  # of the noise's deviation, within which nothing is told from noise
_IN_BAND = 8.0  # deviations that fit into the band where noise never leaves it ...
_STILL_IN_BAND = 4.5  # ... and hardly ever does
_RISE_BLUR, _SETTLING_BLUR = 0.1, 0.5  # of the rise, over which may be averaged
_LEAST_AVERAGED = 5  # values that may be averaged for all but the rise, however short that is
_BEFORE = 5  # values before the step, whose mean is where it begins


@dataclass(frozen=True, slots=True)
class StepResponse:
    """One change of a set point, and how the measured value followed; times in ns."""

    at_ns: int  # when the set point changed, common axis
    until_ns: int  # the next change, or the last value
    from_value: float  # measured before
    target: float  # the new set point
    final_value: float | None  # where it came to rest
    rise_ns: int | None  # 10 to 90 %
    settling_ns: int | None  # from the change
    overshoot_percent: float | None
    peak_ns: int | None  # from the change to the value furthest past; None without overshoot
    steady_error: float | None  # set point less final value
    sampled_ns: int  # usual time between two measured values
    band_ns: int  # within which all times from the change on are known; -1 where not at all
    settled_share: float
    remarks: tuple[str, ...]  # what limits the figures, in words

    @property
    def settled(self) -> bool:
        """Whether it came to rest."""
        return self.settling_ns is not None


def step_responses(
    target: NumberSeries,
    measured: NumberSeries,
    *,
    settled_share: float = SETTLED_SHARE,
    same_clock: bool = False,
) -> list[StepResponse]:
    """Every change of a set point and how the measured value followed it, in time order.

    A set point that changes again before `LEAST_VALUES` were measured is a ramp or was taken back;
    those changes count as one, and no figures are given for it.

    Args:
        target: the set point; its first value is no change.
        measured: what should follow it, in the same unit.
        settled_share: half-width of the band of settling, as a share of the way.
        same_clock: both were stamped by one clock, so that its band does not matter between them.

    Raises:
        ValueError: if `settled_share` is not between 0 and 1.
    """
    if not 0 < settled_share < 1:
        raise ValueError(f"settled_share must lie between 0 and 1, not {settled_share!r}")
    changes = np.flatnonzero(np.diff(target.values) != 0) + 1
    if not len(measured):
        return []
    found = []
    for first, last in _together(target.t_ns[changes], measured.t_ns):
        begin, moved = int(changes[first]), int(changes[last])
        later = target.t_ns[changes[last + 1 :]]
        until = int(later[0]) if len(later) else int(measured.t_ns[-1]) + 1
        stretch = _Stretch.of(measured, int(target.t_ns[moved]), int(target.t_ns[begin]), until)
        if stretch is None:
            continue
        band = 0 if same_clock else _band(target.band_ns[moved], measured.band_ns[stretch.first])
        goal = float(target.values[moved])
        found.append(_judged(stretch, goal, band, settled_share, moves=last - first + 1))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Measured values from one change of the set point to the next."""

    at_ns: int
    until_ns: int
    first: int  # into the measured series
    t_ns: Int64s  # [n] from the change
    values: Floats  # [n]
    start: float  # before the change
    unrest: float  # how much the values before it differ

    @classmethod
    def of(
        cls, measured: NumberSeries, at_ns: int, since_ns: int, until_ns: int
    ) -> _Stretch | None:
        """None where too little was measured."""
        a, b = (int(k) for k in np.searchsorted(measured.t_ns, (at_ns, until_ns)))
        if b - a < LEAST_VALUES:
            return None
        before = int(np.searchsorted(measured.t_ns, since_ns))
        earlier = measured.values[max(0, before - _BEFORE) : before]
        if not len(earlier):
            earlier = measured.values[a : a + 1]
        start, unrest = float(earlier.mean()), float(np.ptp(earlier))
        t_ns, values = measured.t_ns[a:b] - at_ns, measured.values[a:b]
        return cls(at_ns, until_ns, a, t_ns, values, start, unrest)

    @property
    def sampled_ns(self) -> int:
        return int(np.median(np.diff(self.t_ns)))

    def last(self, share: float) -> int:
        """Where the last part of the stretch begins."""
        n = len(self.values)
        by_time = int(np.searchsorted(self.t_ns, self.t_ns[-1] * (1 - share)))
        return max(0, min(by_time, n - _LEAST_LAST))


def _together(changes_ns: Int64s, measured_ns: Int64s) -> Iterator[tuple[int, int]]:
    """First and last of the changes between which too little was measured to part them."""
    if not len(changes_ns):
        return
    places = np.searchsorted(measured_ns, changes_ns)
    ends = np.flatnonzero(np.diff(places) >= LEAST_VALUES)
    firsts, lasts = [0, *(ends + 1).tolist()], [*ends.tolist(), len(places) - 1]
    yield from zip(firsts, lasts, strict=True)


def _band(a: np.int64, b: np.int64) -> int:
    return -1 if min(a, b) < 0 else int(a + b)


def _judged(
    stretch: _Stretch, target: float, band_ns: int, share: float, *, moves: int
) -> StepResponse:
    noise = noise_of(stretch.values[stretch.last(_NOISE_SHARE) :])
    remarks = list(_about(stretch, noise, target, share, moves))
    nothing = StepResponse(
        at_ns=stretch.at_ns,
        until_ns=stretch.until_ns,
        from_value=stretch.start,
        target=target,
        final_value=None,
        rise_ns=None,
        settling_ns=None,
        overshoot_percent=None,
        peak_ns=None,
        steady_error=None,
        sampled_ns=stretch.sampled_ns,
        band_ns=band_ns,
        settled_share=share,
        remarks=tuple(remarks),
    )
    if moves > 1 or abs(target - stretch.start) <= _NOISE_WIDTHS * noise:
        return nothing
    return _measured(stretch, nothing, noise)


def _about(
    stretch: _Stretch, noise: float, target: float, share: float, moves: int
) -> Iterator[str]:
    """What can be said before anything is measured."""
    way = abs(target - stretch.start)
    if moves > 1:
        yield f"the set point moved {moves} times before {LEAST_VALUES} values came: no step"
    elif way <= _NOISE_WIDTHS * noise:
        yield "the step is no larger than the noise"
    elif stretch.unrest > 2 * (share * way + _NOISE_WIDTHS * noise):
        yield "it was not at rest when the set point changed"
    steps = np.diff(stretch.t_ns)
    if len(steps) and steps.max() > 5 * max(1, stretch.sampled_ns):
        yield f"no values for {in_words(int(steps.max()))}"


def _measured(stretch: _Stretch, nothing: StepResponse, noise: float) -> StepResponse:
    """The figures of one step."""
    share, target, start = nothing.settled_share, nothing.target, nothing.from_value
    final, why_not = _final(stretch, target, share, noise)
    end = target if final is None else final
    way = (stretch.values - start) / (end - start)  # 0 before, 1 at the end
    noise, wanted, quick = noise / abs(end - start), share / _IN_BAND, _rise_values(way)
    for_rise, _ = averaged(way, noise, wanted, int(quick * _RISE_BLUR), 0.0)
    for_peak, peak_noise = averaged(way, noise, wanted, int(quick * _SETTLING_BLUR), 0.0)
    most = max(_LEAST_AVERAGED, int(quick * _SETTLING_BLUR))
    smooth, left = averaged(way, noise, wanted, most, 0.0)
    remarks = list(nothing.remarks)
    if left < noise and most > quick * _SETTLING_BLUR:
        remarks.append(f"settling is that of means of {round((noise / left) ** 2)} values")
    rise, coarse = _rise(stretch, for_rise)
    if coarse:
        remarks.append(f"values come every {in_words(stretch.sampled_ns)}: the rise is no longer")
    settling = None
    if final is None:
        remarks.append(why_not)
    elif left * _STILL_IN_BAND > share:
        remarks.append(f"settling cannot be told: noise is wider than the {share:.0%} band")
    else:
        settling = _settling(stretch, smooth, share)
        if settling is None:
            remarks.append("not settled: the last value lies outside the band")
    over, peak = _overshoot(stretch, for_peak, peak_noise)
    at_rest = settling is not None
    return replace(
        nothing,
        final_value=_mean_of_last(stretch) if at_rest else None,
        rise_ns=rise,
        settling_ns=settling,
        overshoot_percent=over,
        peak_ns=peak,
        steady_error=target - _mean_of_last(stretch) if at_rest else None,
        remarks=tuple(remarks),
    )


def _mean_of_last(stretch: _Stretch) -> float:
    return float(stretch.values[stretch.last(_LAST_SHARE) :].mean())


def _final(
    stretch: _Stretch, target: float, share: float, noise: float
) -> tuple[float | None, str]:
    """Where the value comes to rest, or why it does not."""
    last, before = stretch.last(_LAST_SHARE), stretch.last(2 * _LAST_SHARE)
    ending = stretch.values[last:]
    mean = float(ending.mean())
    way = abs(target - stretch.start)
    allowed = share * way + _NOISE_WIDTHS * noise
    earlier = stretch.values[before:last]
    drift = abs(mean - float(earlier.mean())) if len(earlier) else 0.0
    blur = _NOISE_WIDTHS * noise * (1 / max(1, len(earlier)) + 1 / len(ending)) ** 0.5
    reached = abs(mean - target) <= share * way
    if np.abs(ending - mean).max() > 2 * allowed:
        return None, "not settled: it still swings; figures are against the set point"
    if reached:
        return target, ""
    if drift > _DRIFT_SHARE * share * way + blur:
        return None, "not settled: it still moves; figures are against the set point"
    if abs(mean - stretch.start) <= share * way + blur:
        return None, "it does not follow: the value stays where it was"
    return mean, ""


def _rise_values(way: Floats) -> int:
    """About how many values lie on the rise: noise makes it seem shorter, never below 1."""
    low, high = (int(np.argmax(way >= level)) for level in (0.1, 0.9))
    return max(1, high - low)


def _rise(stretch: _Stretch, way: Floats) -> tuple[int | None, bool]:
    """Time from 10 to 90 %, and whether it falls between two values."""
    low, high = (_first_crossing(stretch.t_ns, way, level) for level in (0.1, 0.9))
    if low is None or high is None:
        return None, False
    rise = round(high - low)
    return rise, rise < 2 * stretch.sampled_ns


def _first_crossing(t_ns: Int64s, way: Floats, level: float) -> float | None:
    """When a level is first reached, in ns from the change; before it the way is 0."""
    reached = way >= level
    if not reached.any():
        return None
    k = int(np.argmax(reached))
    before_ns, before = (float(t_ns[k - 1]), float(way[k - 1])) if k else (0.0, 0.0)
    rise = float(way[k]) - before
    share = (level - before) / rise if rise > 0 else 1.0
    return before_ns + share * (float(t_ns[k]) - before_ns)


def _settling(stretch: _Stretch, way: Floats, share: float) -> int | None:
    """When the value enters the band around its final value for good, ns from the change."""
    off = way - 1.0
    outside = np.flatnonzero(np.abs(off) > share)
    if not len(outside):
        return int(stretch.t_ns[0])
    k = int(outside[-1])
    if k + 1 >= len(way):
        return None
    edge = share if off[k] > 0 else -share
    part = float((off[k] - edge) / (off[k] - off[k + 1]))
    return round(float(stretch.t_ns[k]) + part * float(stretch.t_ns[k + 1] - stretch.t_ns[k]))


def _overshoot(stretch: _Stretch, way: Floats, left: float) -> tuple[float, int | None]:
    """How far past its final value it went, in percent, and when; noise alone counts as none."""
    peak = int(np.argmax(way))
    over = float(way[peak]) - 1
    if over <= max(_STILL_IN_BAND * left, 1e-9):
        return 0.0, None
    return 100 * over, int(stretch.t_ns[peak])

"""A Weibull law fitted to lives of which some had not ended: how the hazard goes with age.

Survival is S(t) = exp(-(t / scale)^shape). A shape below 1 means that what has lived long is likely
to go on, 1 that age says nothing (memoryless), above 1 that it wears out. Formulas: NIST/SEMATECH
e-Handbook of Statistical Methods, 8.1.6.2 and 8.4.1.

Intervals are by the profile likelihood: the values for which twice the loss of log likelihood stays
within chi-square's 95 % point for one degree of freedom. With few failures they are wider and more
honest than those from a normal law (Wald), and never negative.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_HALF_CHI2_95 = 3.841458820694124 / 2  # quantile 0.95 of chi-square with one degree, halved
_SHAPES = (1e-3, 1e6)  # beyond these there is no spread, or nothing but spread
FEWEST_FAILURES = 2
FEWEST_FITTED = 3  # failures; a law fitted to fewer says next to nothing, and is not told


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure with its 95 % interval; an end is infinite where the data leave it open."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Weibull:
    """A fit. Everything but the shape is in the unit of the lives."""

    failures: int
    censored: int
    log_likelihood: float
    shape: Interval
    scale: Interval  # 63.2 % have failed by then
    mean: Interval
    median: Interval
    b10: Interval  # a tenth has failed by then
    p_memoryless: float  # of the likelihood-ratio test of shape 1, one degree of freedom


@dataclass(frozen=True, slots=True)
class Shape:
    """The shape alone, which is quickly found."""

    interval: Interval
    p_memoryless: float  # as in `Weibull`


def weibull(failed: Sequence[float], censored: Sequence[float] = ()) -> Weibull | None:
    """The law of greatest likelihood.

    Args:
        failed: ages at failure, above 0.
        censored: ages of those that had not failed, above 0.

    Returns:
        None with fewer than two failures, or when all failed at one age (then any large shape is
        better than a smaller one).

    Raises:
        ValueError: for an age that is not above 0.
    """
    data = _ages(failed, censored)
    shape = None if data is None else data.best_shape()
    return None if data is None or shape is None else _fitted(data, shape)


def weibull_shape(failed: Sequence[float], censored: Sequence[float] = ()) -> Shape | None:
    """The shape of `weibull`, by itself."""
    data = _ages(failed, censored)
    shape = None if data is None else data.best_shape()
    return None if data is None or shape is None else _shape(data, shape)


def _ages(failed: Sequence[float], censored: Sequence[float]) -> _Ages | None:
    ages = np.array([*failed, *censored], np.float64)
    if not (np.isfinite(ages).all() and (ages > 0).all()):
        raise ValueError(f"ages must be above 0: {[*failed, *censored]}")
    return _Ages(ages, len(failed)) if len(failed) >= FEWEST_FAILURES else None


def _shape(data: _Ages, shape: float) -> Shape:
    from scipy.special import chdtrc

    best = data.profile(shape)
    lost = max(best - data.profile(1.0), 0.0)
    interval = Interval(shape, *data.shape_limits(best, shape))
    return Shape(interval, float(chdtrc(1, 2 * lost)))


def _fitted(data: _Ages, shape: float) -> Weibull:
    best, unit = data.profile(shape), data.unit

    def of(per_scale: Callable[[float], float]) -> Interval:
        value = unit * data.scale(shape) * per_scale(shape)
        low, high = data.limits(best, shape, per_scale)
        return Interval(value, unit * low, unit * high)

    found = _shape(data, shape)
    return Weibull(
        failures=data.failures,
        censored=data.lives - data.failures,
        log_likelihood=best - data.failures * math.log(unit),
        shape=found.interval,
        scale=of(lambda _k: 1.0),
        mean=of(lambda k: math.exp(math.lgamma(1 + 1 / k))),
        median=of(lambda k: math.log(2) ** (1 / k)),
        b10=of(lambda k: (-math.log(0.9)) ** (1 / k)),
        p_memoryless=found.p_memoryless,
    )


class _Ages:
    """Ages as shares of the greatest, failures first, and the likelihood over them."""

    def __init__(self, ages: Floats, failures: int) -> None:
        self.unit = float(ages.max())
        self.lives = len(ages)
        self.failures = failures
        self._logs = np.log(ages / self.unit)
        self._mean_log = float(self._logs[:failures].mean())

    def scale(self, shape: float) -> float:
        """The best scale for a shape."""
        return float((np.exp(shape * self._logs).sum() / self.failures) ** (1 / shape))

    def likelihood(self, shape: float, log_scale: float) -> float:
        """Log likelihood, ages as shares."""
        over = shape * (self._logs - log_scale)
        if over.max() > 700:  # exp would overflow; it is as good as impossible
            return -math.inf
        each = math.log(shape) - log_scale + (shape - 1) * (self._mean_log - log_scale)
        return self.failures * each - float(np.exp(over).sum())

    def profile(self, shape: float) -> float:
        """Log likelihood of a shape with the scale that suits it best."""
        return self.likelihood(shape, math.log(self.scale(shape)))

    def best_shape(self) -> float | None:
        """The root of the score; it is unique, for the score rises with the shape."""
        from scipy.optimize import brentq

        def score(log_shape: float) -> float:
            shape = math.exp(log_shape)
            powers = np.exp(shape * self._logs)
            return float((powers * self._logs).sum() / powers.sum() - 1 / shape - self._mean_log)

        low, high = map(math.log, _SHAPES)
        if score(high) <= 0:
            return None
        return float(math.exp(brentq(score, low, high, xtol=1e-13)))

    def shape_limits(self, best: float, shape: float) -> tuple[float, float]:
        """Shapes at which the profile has lost what the interval allows."""
        found = _crossings(lambda log_k: self.profile(math.exp(log_k)), best, math.log(shape))
        return math.exp(found[0]), math.exp(found[1])

    def limits(
        self, best: float, shape: float, per_scale: Callable[[float], float]
    ) -> tuple[float, float]:
        """The interval of scale x per_scale(shape), as a share of the greatest age."""
        from scipy.optimize import minimize_scalar

        def profile(log_value: float) -> float:
            def loss(log_k: float) -> float:
                k = math.exp(log_k)
                found = self.likelihood(k, log_value - math.log(per_scale(k)))
                return -found if math.isfinite(found) else 1e12

            around = math.log(shape)
            found = minimize_scalar(loss, bounds=(around - 4, around + 3), method="bounded")
            return -float(found.fun)

        at = math.log(self.scale(shape) * per_scale(shape))
        low, high = _crossings(profile, best, at)
        return math.exp(low), math.exp(high)


def _crossings(profile: Callable[[float], float], best: float, at: float) -> tuple[float, float]:
    """Where a profile that is greatest at `at` falls by what the interval allows, either side."""
    return _crossing(profile, best, at, -1), _crossing(profile, best, at, 1)


def _crossing(profile: Callable[[float], float], best: float, at: float, side: int) -> float:
    from scipy.optimize import brentq

    def above(x: float) -> float:
        return profile(x) - best + _HALF_CHI2_95

    inside, step = at, 0.25
    while step < 64:
        outside = inside + side * step
        if above(outside) < 0:
            return float(brentq(above, inside, outside, xtol=1e-6))
        inside, step = outside, step * 2
    return side * math.inf

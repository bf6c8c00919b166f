"""Two clocks of known truth, and anchors between them with everything that goes wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from console.timeline.alignment.anchor_pairs import AnchorPairs

Int64s = npt.NDArray[np.int64]

SECOND = 1_000_000_000
MS = 1_000_000
YEAR_2026 = 1_767_225_600 * SECOND
LAWS = ("uniform", "exponential", "gamma", "two kinds")


@dataclass(frozen=True, slots=True)
class Circumstances:
    """How anchors come about."""

    anchors: int = 500
    span_s: int = 2100
    law: str = "uniform"  # of the delays
    delay_ms: float = 16.0  # the longest of a uniform law, about the longest of the others
    wrong: float = 0.0  # share
    ppm: float = 200.0  # drift is drawn from -ppm to +ppm
    side: int = 1
    tick_ms: int = 0  # stamps are rounded up to it
    periodic: bool = False
    is_epoch: bool = False  # native times are ns since 1970


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """Anchors and the truth about them."""

    anchors: AnchorPairs
    wrong: npt.NDArray[np.bool_]  # [n]
    drift: float
    probe_ns: Int64s  # [9] native times from begin to end
    truth_ns: Int64s  # [9] what they are on the common axis


def case(seed: int, how: Circumstances) -> Case:
    """A case from a seed; a third of the wrong anchors each are off by up to half a second, by up
    to an hour, and by one to three whole distances between neighbours (the next poll's value)."""
    rng = np.random.default_rng(seed)
    n, span = how.anchors, how.span_s * SECOND
    event = np.arange(n) * (span // n) if how.periodic else np.sort(rng.integers(0, span, n))
    happened = event + how.side * np.rint(delays_ns(rng, how)).astype(np.int64)
    drift = rng.uniform(-how.ppm, how.ppm) * 1e-6
    common_base = int(rng.integers(-7200, 7200)) * SECOND
    native_base = YEAR_2026 if how.is_epoch else int(rng.integers(0, 10**15))
    native = native_base + np.rint(happened / (1 + drift)).astype(np.int64)
    if how.tick_ms:
        native = -(-native // (how.tick_ms * MS)) * (how.tick_ms * MS)
    wrong = rng.random(n) < how.wrong
    common = common_base + event + np.where(wrong, mistakes_ns(rng, n, span // n), 0)
    at = np.linspace(0, span, 9)
    probe = native_base + np.rint(at / (1 + drift)).astype(np.int64)
    order = np.argsort(native, kind="stable")
    anchors = AnchorPairs.of(native[order], common[order], how.side)
    return Case(anchors, wrong[order], drift, probe, common_base + at.astype(np.int64))


def delays_ns(rng: np.random.Generator, how: Circumstances) -> npt.NDArray[np.float64]:
    """One delay an anchor; all laws begin at 0."""
    n, most = how.anchors, how.delay_ms * MS
    if how.law == "uniform":
        return rng.uniform(0, most, n)
    if how.law == "exponential":
        return rng.exponential(most / 3, n)
    if how.law == "gamma":  # rarer and rarer towards 0
        return rng.gamma(2, most / 6, n)
    return np.where(rng.random(n) < 0.8, rng.uniform(0, most / 8, n), rng.uniform(0, 4 * most, n))


def mistakes_ns(rng: np.random.Generator, n: int, distance: int) -> Int64s:
    """How far off a wrong anchor is."""
    near = rng.integers(-SECOND // 2, SECOND // 2, n)
    far = rng.integers(-3600 * SECOND, 3600 * SECOND, n)
    neighbour = distance * rng.integers(1, 4, n)
    return np.array([near, far, neighbour])[rng.integers(0, 3, n), np.arange(n)]


@dataclass(frozen=True, slots=True, eq=False)
class SteppedCase:
    """A clock that was set while it ran."""

    native_ns: Int64s
    common_ns: Int64s  # [n] ascending
    wrong: npt.NDArray[np.bool_]  # [n]
    cuts: Int64s  # [k] first anchor after each step


def stepped(seed: int, n: int, steps: int, wrong: float) -> SteppedCase:
    """Steps of half a second to two hours, either way, at least 30 anchors apart."""
    rng = np.random.default_rng(seed)
    span = 4 * SECOND * n
    common = np.sort(rng.integers(0, span, n))
    late = rng.integers(0, 16 * MS, n)
    native = np.rint((common + late) * (1 + rng.uniform(-200e-6, 200e-6))).astype(np.int64)
    room = n - 30 * (steps + 1)
    cuts = 30 * np.arange(1, steps + 1) + np.sort(rng.integers(0, room + 1, steps))
    for cut in cuts:
        size = np.exp(rng.uniform(np.log(0.5 * SECOND), np.log(7200.0 * SECOND)))
        native[cut:] += int(rng.choice([-1, 1]) * size)
    is_wrong = rng.random(n) < wrong
    off = np.where(is_wrong, mistakes_ns(rng, n, span // n), 0)
    return SteppedCase(native + off, common, is_wrong, cuts.astype(np.int64))

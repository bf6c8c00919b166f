"""What `compare --json` prints: one object with a schema version."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from console.diagnosis.differences.habits import Habits
from console.diagnosis.lifetimes.candidates import TIME, Candidate
from console.diagnosis.lifetimes.comparison import Comparison
from console.diagnosis.lifetimes.count_or_clock import Verdict
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.lifetimes.survival import Survival
from console.diagnosis.lifetimes.weibull import Interval, Weibull
from console.diagnosis.lifetimes.words import verdict_words
from console.report.compare_differences import differences_object

SCHEMA = 1


def compare_object(
    compared: Comparison, runs: Sequence[str], habits: Sequence[Habits] = ()
) -> dict[str, Any]:
    """The whole report, ready for JSON; times in ns, an open end of an interval is null."""
    clean = compared.clean
    return {
        "schema": SCHEMA,
        "runs": list(runs),
        "device": compared.device,
        "lives": [_life(life) for life in compared.lives],
        "verdict": _verdict(compared.verdict, compared.lives),
        "weibull": None if compared.weibull is None else _weibull(compared.weibull),
        "kaplan_meier": _survival(compared.survival),
        "clean_run": None
        if clean is None
        else {
            "ns": round(clean.ns) or None,
            "count": math.ceil(clean.count) or None,
            "of": clean.of or None,
            "by_chance": clean.by_chance,
        },
        "differences": differences_object(habits),
        "also_failed": [{"device": name, "lives": n} for name, n in compared.also_failed],
    }


def _life(life: Life) -> dict[str, Any]:
    return {
        "run": life.run,
        "counted_from": life.zero,
        "ended": life.ended,
        "how": life.how or None,
        "elapsed_ns": life.elapsed_ns,
        "open_ns": life.open_ns,
        "counts": {name: _number(n) for name, n in life.counts.items()},
        "ticks": dict(life.ticks),
    }


def _verdict(verdict: Verdict, lives: Sequence[Life]) -> dict[str, Any]:
    rolled = verdict.rollover
    return {
        "kind": verdict.kind,
        "why": verdict.why or None,
        "of": verdict.of or None,
        "told": [_candidate(each) for each in verdict.told],
        "alike": list(verdict.alike),
        "p_chance": verdict.p_chance,
        "tried": verdict.tried,
        "near": verdict.near or None,
        "rollover": None if rolled is None else asdict(rolled),
        "shape": None if verdict.shape is None else _interval(verdict.shape),
        "failures": verdict.failures,
        "censored": verdict.censored,
        "survivors": list(verdict.survivors),
        "left_out": verdict.left_out,
        "candidates": [_candidate(each) for each in verdict.candidates],
        "words": verdict_words(verdict, lives),
    }


def _candidate(candidate: Candidate) -> dict[str, Any]:
    return {
        "name": candidate.name,
        "unit": "ns" if candidate.name == TIME else "count",
        "low": _number(candidate.low),
        "high": _number(candidate.high),
        "ratio": _finite(candidate.ratio),
        "p_chance": candidate.p_chance,
        "refuted": candidate.refuted,
    }


def _weibull(law: Weibull) -> dict[str, Any]:
    return {
        "failures": law.failures,
        "censored": law.censored,
        "log_likelihood": law.log_likelihood,
        "shape": _interval(law.shape),
        "scale_ns": _interval(law.scale),
        "mean_ns": _interval(law.mean),
        "median_ns": _interval(law.median),
        "b10_ns": _interval(law.b10),
        "p_memoryless": law.p_memoryless,
        "interval": "95 %, profile likelihood",
    }


def _survival(survival: Survival) -> dict[str, Any]:
    low, high = survival.median_range
    return {
        "age_ns": survival.age.tolist(),
        "at_risk": survival.at_risk.tolist(),
        "failed": survival.failed.tolist(),
        "share": survival.share.tolist(),
        "error": [_finite(each) for each in survival.error.tolist()],
        "low": [_finite(each) for each in survival.low.tolist()],
        "high": [_finite(each) for each in survival.high.tolist()],
        "median_ns": survival.median,
        "median_low_ns": low,
        "median_high_ns": high,
        "interval": "95 %, log-log",
    }


def _interval(interval: Interval) -> dict[str, float | None]:
    return {
        "value": interval.value,
        "low": _finite(interval.low),
        "high": _finite(interval.high),
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _number(value: float) -> float | int:
    return int(value) if float(value).is_integer() else value

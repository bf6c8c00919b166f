"""Lives of one device across runs, and all that can be said of them together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from console.diagnosis.lifetimes.clean_run import CleanRun, clean_run
from console.diagnosis.lifetimes.count_or_clock import Verdict, comparable, verdict
from console.diagnosis.lifetimes.lives import Life
from console.diagnosis.lifetimes.survival import Survival, kaplan_meier
from console.diagnosis.lifetimes.weibull import FEWEST_FITTED, Weibull, weibull


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """The lives of one device. Times of the laws in ns."""

    device: str
    lives: Sequence[Life]  # in the order of the runs
    verdict: Verdict
    weibull: Weibull | None  # None with fewer than three failures, or when all ended alike
    survival: Survival
    clean: CleanRun | None  # None where that is not known
    also_failed: Sequence[tuple[str, int]]  # other devices, and how many lives of theirs failed


def comparison(lives: Sequence[Life], device: str | None = None) -> Comparison | None:
    """Compare the lives of one device.

    Args:
        lives: of all devices of all runs.
        device: which; None takes the one that failed most often.

    Returns:
        None when there are no lives, or none of that device.
    """
    failures = Counter({life.device: 0 for life in lives})
    failures.update(life.device for life in lives if life.failed)
    if device is None and failures:
        device = failures.most_common(1)[0][0]
    if device is None or device not in failures:
        return None
    own = [life for life in lives if life.device == device]
    compared = comparable(own)
    failed = [float(life.age_ns) for life in compared if life.failed]
    censored = [float(life.age_ns) for life in compared if not life.failed]
    found = verdict(own)
    return Comparison(
        device=device,
        lives=own,
        verdict=found,
        weibull=weibull(failed, censored) if len(failed) >= FEWEST_FITTED else None,
        survival=kaplan_meier(failed, censored),
        clean=clean_run(found, own),
        also_failed=[(name, n) for name, n in failures.most_common() if n and name != device],
    )

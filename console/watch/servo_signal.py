"""A servo's signal: commands beyond the travel, missing pulses, steps too wide, and whether it
trembles.

How far widths scatter is told from second differences, so that a command that moves steadily is not
taken for a restless one, and by their median, so that a few steps are not either. A servo that
trembles on a signal that does not, does so by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from console.bench.lines import Servo
from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.gaps import Ints, Truths
from console.watch.rule import Batch, Horizon, Words
from decoders.buses.pulses_spread import (
    DEVIATION,
    SizeCounts,
    deviation_of_second,
    second_differences,
)

_LATE = 1.5  # periods after which a pulse is missing
_EARLY = 0.5
_FEWEST = 20  # differences before anything is said of how widths scatter


@dataclass(slots=True)
class _Last:
    """The last pulses of the stretch that lasts: at most two, and the last period."""

    start_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    width_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    in_step: Truths = field(default_factory=lambda: np.empty(0, np.bool_))
    period_ns: Ints = field(default_factory=lambda: np.empty(0, np.int64))


class ServoSignal:
    """A fold over the pulses of one servo's line.

    Args:
        servo: the servo, with its limits.
        party: whose findings these are.
    """

    def __init__(self, servo: Servo, party: str) -> None:
        self._servo, self._party = servo, party
        self._words = Words(0)
        self._observed: Mapping[str, int] = {}
        self._last = _Last()
        self._end_ns: int | None = None
        self._pulses = 0
        self._short, self._wide = Tally(), Tally()  # beyond the travel
        self._missing, self._early = Tally(), Tally()
        self._steps, self._twitches = Tally(), Tally()
        self._frames = 0  # that are missing
        self._longest_ns = 0
        self._reach_ns = [2**62, 0]  # narrowest and widest
        self._widest_step_ns = self._widest_twitch_ns = 0
        self._scatter, self._beat = SizeCounts(), SizeCounts()

    def begin(self, start_ns: int) -> None:
        """Count times in words from here."""
        self._words = Words(start_ns)

    def feed(self, batch: Batch) -> list[Finding]:
        """Take the next batch; what is found is returned at the end, counted."""
        self._observed = batch.observed_until
        own = (pl.col("line") == self._servo.name) & (pl.col("source") == self._servo.source)
        rows = batch.table("pulses").filter(own)
        if rows.height:
            start, width = rows["start_ns"].to_numpy(), rows["width_ns"].to_numpy()
            self._take(start, width, rows["period_ns"].fill_null(-1).to_numpy())
            self._end_ns = int(rows["end_ns"][-1])
        return []

    def finish(self, until_ns: int) -> list[Finding]:
        """Return what was found of the signal."""
        horizon_ns = Horizon(until_ns, self._observed).of(self._servo.source)
        if not self._pulses:
            return [self._none()] if self._servo.source in self._observed else []
        found = [*self._travel(), *self._beats(), *self._slew()]
        found.append(self._signal())
        assert self._end_ns is not None
        if horizon_ns - self._end_ns > _LATE * self._servo.period_ns:
            found.append(self._over(self._end_ns, horizon_ns))
        return found

    def _take(self, start_ns: Ints, width_ns: Ints, period_ns: Ints) -> None:
        nominal = self._servo.period_ns
        known = period_ns >= 0
        late = known & (period_ns > _LATE * nominal)
        self._pulses += len(start_ns)
        self._missing.add(start_ns[late])
        self._frames += int((np.rint(period_ns[late] / nominal) - 1).sum())
        self._longest_ns = max(self._longest_ns, int(period_ns[late].max(initial=0)))
        self._early.add(start_ns[known & (period_ns < _EARLY * nominal)])
        self._outside(start_ns, width_ns)
        last, kept = self._last, len(self._last.start_ns)
        start = np.concatenate([last.start_ns, start_ns])
        width = np.concatenate([last.width_ns, width_ns])
        period = np.concatenate([last.period_ns, period_ns])
        in_step = np.concatenate([last.in_step, known & ~late])
        self._moves(start, width, in_step, kept)
        both = in_step[1:] & in_step[:-1]
        fresh = np.arange(1, len(start)) >= kept
        self._beat.add(np.abs(np.diff(period))[both & fresh])
        self._last = _Last(start[-2:], width[-2:], in_step[-2:], period[-2:])

    def _outside(self, start_ns: Ints, width_ns: Ints) -> None:
        low, high = self._servo.travel_us
        slack = self._servo.jitter_us
        self._short.add(start_ns[width_ns < (low - slack) * 1e3])
        self._wide.add(start_ns[width_ns > (high + slack) * 1e3])
        self._reach_ns[0] = min(self._reach_ns[0], int(width_ns.min()))
        self._reach_ns[1] = max(self._reach_ns[1], int(width_ns.max()))

    def _moves(self, start_ns: Ints, width_ns: Ints, in_step: Truths, kept: int) -> None:
        """Steps from pulse to pulse; the first `kept` pulses were looked at before."""
        step = np.diff(width_ns)
        is_step = in_step[1:] & (np.arange(1, len(width_ns)) >= kept)
        limit = self._servo.slew_deg_per_frame
        if limit is not None:
            most_ns = limit / abs(self._servo.travel.deg_per_us) * 1e3
            wide = is_step & (np.abs(step) > most_ns)
            self._steps.add(start_ns[1:][wide])
            widest = int(np.abs(step[wide]).max(initial=0))
            self._widest_step_ns = max(self._widest_step_ns, widest)
        if len(width_ns) < 3:
            return
        three = is_step[1:] & in_step[1:-1]
        self._scatter.add(second_differences(width_ns)[three])
        away, back = step[:-1], step[1:]
        size = np.minimum(np.abs(away), np.abs(back))
        alone = three & (np.sign(away) * np.sign(back) < 0)
        alone &= (size > self._servo.jitter_us * 1e3) & (2 * np.abs(away + back) <= size)
        self._twitches.add(start_ns[1:-1][alone])
        self._widest_twitch_ns = max(self._widest_twitch_ns, int(size[alone].max(initial=0)))

    def _travel(self) -> list[Finding]:
        found = []
        low, high = self._servo.travel_us
        sides = ((self._short, "shorter", "down"), (self._wide, "wider", "up"))
        for side, (tally, word, way) in enumerate(sides):
            if tally.count:
                width_ns = self._reach_ns[side]
                summary = (
                    f"{counted(tally.count, 'pulse')} {word} than the travel of {low:g} to "
                    f"{high:g} us, {way} to {width_ns / 1e3:.1f} us, which is "
                    f"{self._angle(width_ns)}: the motor may push against its stop; first "
                    f"{self._at(tally)}"
                )
                evidence = {"width_us": width_ns / 1e3, "travel_us": [low, high], "side": word}
                found.append(self._finding("servo-travel", "fault", tally, summary, evidence))
        return found

    def _beats(self) -> list[Finding]:
        found = []
        period = self._words.lasting(self._servo.period_ns)
        if self._missing.count:
            summary = (
                f"{counted(self._frames, 'pulse')} missing in "
                f"{counted(self._missing.count, 'place')}, one is due every {period}; the longest "
                f"wait {self._words.lasting(self._longest_ns)}, first {self._at(self._missing)}"
            )
            evidence = {"missing": self._frames, "longest_ns": self._longest_ns}
            found.append(self._finding("servo-frames", "warning", self._missing, summary, evidence))
        if self._early.count:
            summary = (
                f"{counted(self._early.count, 'pulse')} less than half of {period} after the one "
                f"before, first {self._at(self._early)}"
            )
            found.append(self._finding("servo-frames", "warning", self._early, summary, {}))
        return found

    def _slew(self) -> list[Finding]:
        if not self._steps.count:
            return []
        widest = self._degrees(self._widest_step_ns)
        limit = self._servo.slew_deg_per_frame
        summary = (
            f"{counted(self._steps.count, 'step')} of more than {limit:g} deg from one pulse to "
            f"the next, the widest {widest:.1f} deg, first {self._at(self._steps)}"
        )
        evidence = {"widest_deg": widest, "limit_deg": limit}
        return [self._finding("servo-slew", "warning", self._steps, summary, evidence)]

    def _signal(self) -> Finding:
        """Whether it is the signal that trembles."""
        scatter_ns = deviation_of_second(self._scatter)
        evidence = {
            "pulses": self._pulses,
            "scatter_us": scatter_ns / 1e3,
            "scatter_deg": self._degrees(scatter_ns),
            "period_scatter_us": DEVIATION * self._beat.median() / 2**0.5 / 1e3,
            "twitches": self._twitches.count,
            "widths_us": [self._reach_ns[0] / 1e3, self._reach_ns[1] / 1e3],
        }
        told = f"{scatter_ns / 1e3:.1f} us ({self._degrees(scatter_ns):.2f} deg)"
        severity: Severity = "warning"
        if self._scatter.total < _FEWEST:
            severity, summary = "note", "too few pulses to tell whether the signal trembles"
        elif scatter_ns > self._servo.jitter_us * 1e3:
            summary = f"the signal itself trembles: widths scatter by {told} from pulse to pulse"
        elif self._twitches.count:
            most = self._degrees(self._widest_twitch_ns)
            summary = (
                f"the signal itself twitches: {counted(self._twitches.count, 'pulse')} away and "
                f"back by up to {most:.1f} deg, first {self._at(self._twitches)}; the others "
                f"scatter by {told}"
            )
        else:
            severity = "note"
            summary = (
                f"the signal is steady: widths scatter by {told}; a servo that trembles on it "
                "does so by itself"
            )
        start = self._words.start_ns
        t_ns = self._twitches.first_ns if self._twitches.count else start
        return self._made("servo-signal", severity, t_ns, summary, evidence)

    def _none(self) -> Finding:
        return self._made("servo-frames", "warning", self._words.start_ns, "not one pulse", {})

    def _over(self, end_ns: int, until_ns: int) -> Finding:
        summary = (
            f"no pulse since {self._words.at(end_ns)}, to the end of what was seen "
            f"({self._words.lasting(until_ns - end_ns)}); many servos let go then, others hold on: "
            "keep clear"
        )
        evidence = {"first_ns": end_ns, "last_ns": until_ns}
        return self._made("servo-frames", "warning", end_ns, summary, evidence)

    def _degrees(self, width_ns: float) -> float:
        return abs(self._servo.travel.deg_per_us) * width_ns / 1e3

    def _angle(self, width_ns: int) -> str:
        (angle,) = self._servo.travel.angles(np.array([width_ns], np.int64)).tolist()
        return f"{angle:.1f} deg"

    def _at(self, tally: Tally) -> str:
        return f"at {self._words.at(tally.first_ns)}"

    def _finding(
        self, rule: str, severity: Severity, tally: Tally, summary: str, evidence: dict[str, Any]
    ) -> Finding:
        return self._made(rule, severity, tally.first_ns, summary, evidence | tally.evidence())

    def _made(
        self, rule: str, severity: Severity, t_ns: int, summary: str, evidence: dict[str, Any]
    ) -> Finding:
        name, source = self._servo.name, self._servo.source
        evidence = {"servo": name, "line": self._servo.line, **evidence}
        return Finding(t_ns, rule, severity, self._party, source, f"{name}: {summary}", evidence)

"""Numbers that count the events of a source: where they skip, something is missing.

Prints and messages often carry a number that goes up by one each time. A number counts when nearly
all its steps are 1. Of the numbers one speaker says (a topic, or the first word of a printed line)
the one that stands in most of its events and skips least is believed: what is lost makes all of
them skip, and one that skips alone was skipped by the sender.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

FEWEST_STEPS = 8
_COUNTS = 0.9  # share of the steps that must be 1
_STANDS = 0.02  # share that may be 0
_ALMOST_AS_MANY = 0.95  # of a speaker's events, to be believed as much as the number in most
_WRAPS = (1 << 8, 1 << 16, 1 << 32)
_BEAT = 0.25  # of the period, which a step may last more or less
_LEAST_SPACE = 1 << 20  # a hole of more numbers than this is another counter's beginning


@dataclass(frozen=True, slots=True, eq=False)
class Counter:
    """A number of one speaker, n events in the order of the source."""

    speaker: str
    name: str
    rows: Int64s  # [n] which rows of the source, rising
    values: Int64s  # [n]

    def steps(self) -> Int64s:
        """int64[n - 1], a rollover at 8, 16 or 32 bits undone."""
        steps = np.diff(self.values)
        for wrap in _WRAPS:
            before = self.values[:-1]
            near = (steps < 0) & (before < wrap) & (before >= wrap - 64) & (steps + wrap <= 64)
            steps = np.where(near, steps + wrap, steps)
        return steps

    def counts(self) -> bool:
        """Whether it goes up by one nearly every time."""
        steps = self.steps()
        if len(steps) < FEWEST_STEPS:
            return False
        ones, stands = np.mean(steps == 1), np.mean(steps == 0)
        return bool(ones >= _COUNTS and stands <= _STANDS)

    def keeps_time(self, t_ns: Int64s) -> bool:
        """Whether it also goes up at even times, as a loop's own counter does.

        Args:
            t_ns: int64 times of all rows of the source.
        """
        took = np.diff(t_ns[self.rows])[self.steps() == 1]
        usual = float(np.median(took)) if len(took) else 0.0
        return usual > 0 and float(np.mean(np.abs(took - usual) <= _BEAT * usual)) >= _COUNTS

    def took_its_time(self, k: int, t_ns: Int64s) -> bool:
        """Whether step k took at least a good part of the time that so many numbers take.

        Else it is the number of another sentence, such as an address in a boot line.
        """
        steps, took = self.steps(), np.diff(t_ns[self.rows])
        usual = float(np.median(took[steps == 1])) if np.any(steps == 1) else 0.0
        return bool(took[k] >= _BEAT * usual * float(steps[k]))

    def borrowed_stamp(self, k: int, t_ns: Int64s) -> Hole | None:
        """The hole at step k when the row after it has the stamp of a row before it.

        So it is when the end of one line came to stand behind the beginning of an earlier one: then
        the numbers skip in hardly more than the usual time, and the row after is late instead.
        """
        steps, took = self.steps(), np.diff(t_ns[self.rows])
        if k + 1 >= len(steps) or not np.any(steps == 1):
            return None
        usual = float(np.median(took[steps == 1]))
        skipped = float(steps[k]) - 1
        early = took[k] < 0.5 * skipped * usual + usual / 2
        late = took[k + 1] > (float(steps[k + 1]) + 0.5 * skipped) * usual
        if not (early and late):
            return None
        rows = int(self.rows[k + 1]), int(self.rows[k + 2])
        return Hole(*rows, int(skipped), (self.name,))


@dataclass(frozen=True, slots=True)
class Hole:
    """Numbers that are missing between two neighbouring rows of the source."""

    before: int  # row
    after: int
    missing: int
    names: tuple[str, ...]  # of the counters that skip


def believed(counters: Iterable[Counter]) -> list[Counter]:
    """Of each speaker the number that is believed."""
    speakers: dict[str, list[Counter]] = {}
    for counter in counters:
        speakers.setdefault(counter.speaker, []).append(counter)
    chosen = []
    for found in speakers.values():
        most = max(len(c.rows) for c in found)
        common = [c for c in found if len(c.rows) >= _ALMOST_AS_MANY * most]
        chosen.append(min(common, key=lambda c: (int(np.sum(c.steps() > 1)), -len(c.rows))))
    return chosen


def holes(counters: Sequence[Counter], t_ns: Int64s, *, in_time: bool = False) -> list[Hole]:
    """Where numbers are missing, in order; holes that overlap are taken for one.

    What is missing lies somewhere between two events of its speaker. Had it come evenly between
    them, it would stand between certain neighbouring rows of the source; there the hole is put.

    Args:
        counters: those believed.
        t_ns: int64 times of all rows of the source.
        in_time: all of them keep time, so that a skip which took none is no hole.
    """
    spans: list[Hole] = []
    for counter in counters:
        steps = counter.steps()
        for k in np.flatnonzero((steps > 1) & (steps < _LEAST_SPACE)).tolist():
            hole = Hole(
                int(counter.rows[k]), int(counter.rows[k + 1]), int(steps[k]) - 1, (counter.name,)
            )
            borrowed = counter.borrowed_stamp(k, t_ns)
            if in_time and borrowed is None and not counter.took_its_time(k, t_ns):
                continue
            spans.append(_placed(hole, t_ns) if borrowed is None else borrowed)
    merged: list[Hole] = []
    for hole in sorted(spans, key=lambda h: (h.before, h.after)):
        last = merged[-1] if merged else None
        if last is not None and hole.before < last.after:
            names = tuple(dict.fromkeys((*last.names, *hole.names)))
            after = min(last.after, hole.after)
            merged[-1] = Hole(hole.before, after, last.missing + hole.missing, names)
        else:
            merged.append(hole)
    return merged


def _placed(hole: Hole, t_ns: Int64s) -> Hole:
    """The hole between the rows around its first and its last number."""
    times = t_ns[hole.before : hole.after + 1]
    if len(times) <= 2 or times[-1] <= times[0]:
        return hole
    step = (times[-1] - times[0]) / (hole.missing + 1)
    first, last = times[0] + step, times[-1] - step
    before = int(np.searchsorted(times[1:-1], first, side="right"))
    after = int(np.searchsorted(times[1:-1], last, side="left")) + 1
    return Hole(
        hole.before + before, hole.before + max(after, before + 1), hole.missing, hole.names
    )

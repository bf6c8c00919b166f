"""Firmware time put straight: counters that run over, restarts, clocks that are set.

A counter of b bits runs over and starts again at 0; the wraps are added back, so time goes on. A
restart begins a new epoch in which time counts anew. Most lines only move time forward; a step back
(or a step that the host's stamps contradict) is judged by itself:

- *rollover*: the step taken modulo 2^b is short, or is what the host's stamps say has passed;
- *late line*: a short way back and no rollover near; two tasks printed out of order. It stays;
- *stray stamp*: the next stamp goes on from the one before. The line lost a digit; the stamp is not
  believed;
- *restart*, or for a clock of day or date *set*: anything else. A new epoch.

Where the width of the counter is not given, 32 and 16 bits of the stamp's last unit are tried, and
32 bits of microseconds for a stamp in milliseconds. Without host stamps a silence longer than the
counter's period cannot be seen; that is told, not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.prints.columns import NO_TIME

MS_NS = 1_000_000
SECOND_NS = 1000 * MS_NS
DAY_NS = 86400 * SECOND_NS
TICKS, WALL, DAY = 1, 2, 3  # index into CLOCKS
AHEAD_ROWS = 64  # how far the stamp after a step back is looked for
_REMEMBERED = 1000
_WAIT = -1

_LATE_NS = 20 * MS_NS  # two tasks cut into each other: never further back than this, or ...
_LATE_AT_MOST_NS = SECOND_NS  # ... than this, when far from a start
_START_NS = 10 * SECOND_NS  # the first stamp after a restart is mostly earlier than this
_PAUSE_NS = 10 * SECOND_NS  # what the host may see pass while the firmware's clock stands still
_USUAL_NS = 60 * SECOND_NS  # a silence between two lines that says nothing
_SET_NS = 30 * DAY_NS  # a clock that leaps further than this was set
_HOST_SLACK_NS = 100 * MS_NS  # USB adapters and schedulers delay by tens of ms


@dataclass(frozen=True, slots=True)
class Jump:
    """A place where firmware time did not simply go on."""

    row: int  # of the print after it, counted from 0 over the whole log
    kind: str  # "rollover", "restart", "set", or "restart or pause"
    before_ns: int  # native_ns of the last stamp before
    after_ns: int  # native_ns of the first stamp after
    epoch: int  # of the row
    wraps: int = 0  # a rollover: how many times the counter ran over


@dataclass(frozen=True, slots=True, eq=False)
class Resolved:
    """Native times of the first `count` stamps that were given."""

    count: int
    native_ns: npt.NDArray[np.int64]  # [count] rollovers undone
    epoch: npt.NDArray[np.int32]  # [count]
    believed: npt.NDArray[np.bool_]  # [count] False: a stray stamp


@dataclass(slots=True)
class _Batch:
    """Stamps under judgement, n rows."""

    rows: npt.NDArray[np.int64]
    raw: npt.NDArray[np.int64]
    steps: npt.NDArray[np.int64]  # from the stamp before
    host: npt.NDArray[np.int64]  # what the host says passed; NO_TIME when it cannot
    arrival_ns: npt.NDArray[np.int64]
    rows_seen: int
    final: bool
    native: npt.NDArray[np.int64]
    epoch: npt.NDArray[np.int32]
    believed: npt.NDArray[np.bool_]
    judge_next: int  # a stamp whose step was put together anew
    done: int = 0  # stamps resolved


class Ticks:
    """A fold over the stamps of one log, in the order of its lines.

    Args:
        tick_bits: width of the firmware's counter, None when not known.

    Attributes:
        rollovers: the first 1000 of them.
        restarts: new epochs, the first 1000 of them.
        late, stray: how many late lines and stray stamps there were.
        period_ns: of the counter, 0 as long as no width is known or found.
        found_bits: width that was found, 0 when it was given or none was found.
        looked_ahead: how often the stamp after one was asked for to judge it.
        hosted: whether any stamp came with one of the host.
        exceeded: whether a stamp was larger than a counter of the given width can hold.
        epoch: the current one.
    """

    def __init__(self, tick_bits: int | None = None) -> None:
        self.rollovers: list[Jump] = []
        self.restarts: list[Jump] = []
        self.late = 0
        self.stray = 0
        self.looked_ahead = 0
        self.period_ns = 0
        self.found_bits = 0
        self.hosted = False
        self.exceeded = False
        self.epoch = 0
        self._bits = tick_bits
        self._clock = 0
        self._unit_ns = 1
        self._wrapped_ns = 0  # to add to raw stamps
        self._last: int | None = None  # raw
        self._before = 0  # raw, the one before the last
        self._last_arrival = NO_TIME
        self._longest = 0  # largest usual step forward
        self._longest_but_last = 0  # the same without the last step

    def begin(self, clock: int, unit_ns: int) -> None:
        """Say what the stamps are, before the first; later calls change nothing.

        Args:
            clock: index into CLOCKS.
            unit_ns: of the last digit: 1, 1000, 10^6 or 10^9.
        """
        if self._clock:
            return
        self._clock, self._unit_ns = clock, unit_ns
        if self._bits and clock == TICKS:
            self.period_ns = min(unit_ns << self._bits, 2**62)

    def feed(
        self,
        rows: npt.NDArray[np.int64],
        raw: npt.NDArray[np.int64],
        arrival_ns: npt.NDArray[np.int64],
        rows_seen: int,
        *,
        final: bool,
    ) -> Resolved:
        """Resolve n stamps, all but those whose judgement needs a stamp that is still to come.

        Args:
            rows: int64[n] number of each stamp's print.
            raw: int64[n] the stamps in ns, as printed.
            arrival_ns: int64[n] host stamps, NO_TIME where there is none.
            rows_seen: prints seen so far, stamped or not.
            final: whether nothing comes after these.
        """
        batch = self._batch(rows, raw, arrival_ns, rows_seen, final)
        events, next_event = self._events(batch, 0), 0
        while batch.done < len(raw):
            while next_event < len(events) and events[next_event] < batch.done:
                next_event += 1
            at = events[next_event] if next_event < len(events) else len(raw)
            at = min(at, batch.judge_next)
            self._go_on(batch, at)
            if at == len(raw):
                break
            period_ns = self.period_ns
            if not self._pass(batch, at):
                break
            if period_ns != self.period_ns:
                events, next_event = self._events(batch, batch.done), 0
        done = batch.done
        return Resolved(done, batch.native[:done], batch.epoch[:done], batch.believed[:done])

    def _batch(
        self,
        rows: npt.NDArray[np.int64],
        raw: npt.NDArray[np.int64],
        arrival_ns: npt.NDArray[np.int64],
        rows_seen: int,
        final: bool,
    ) -> _Batch:
        n = len(raw)
        known = arrival_ns != NO_TIME
        self.hosted |= bool(known.any())
        if self._bits and self.period_ns:
            self.exceeded |= bool((raw >= self.period_ns).any())
        last = raw[:1] if self._last is None else [self._last]
        host = np.diff(np.where(known, arrival_ns, 0), prepend=self._last_arrival)
        before = np.concatenate(([self._last_arrival != NO_TIME], known))[:n]
        return _Batch(
            rows=rows,
            raw=raw,
            arrival_ns=arrival_ns,
            steps=np.diff(raw, prepend=last),
            host=np.where(known & before, host, NO_TIME),
            rows_seen=rows_seen,
            final=final,
            native=np.zeros(n, dtype=np.int64),
            epoch=np.zeros(n, dtype=np.int32),
            believed=np.ones(n, dtype=np.bool_),
            judge_next=n,
        )

    def _events(self, batch: _Batch, begin: int) -> list[int]:
        """Stamps that do not simply go on."""
        steps, host = batch.steps[begin:], batch.host[begin:]
        odd = steps < 0
        behind = np.where(host == NO_TIME, 0, host - steps)
        odd |= behind > np.maximum(_PAUSE_NS, host // 4)
        if self._clock != TICKS:
            odd |= steps > _SET_NS
        if self.period_ns:
            odd |= steps > self.period_ns - self._across_ns()
            odd |= behind > self.period_ns // 2
        return [begin + k for k in np.flatnonzero(odd).tolist()]

    def _across_ns(self) -> int:
        """How far before a rollover a late line may come from."""
        return min(_LATE_AT_MOST_NS, self.period_ns // 8)

    def _go_on(self, batch: _Batch, end: int, *, usual: bool = True) -> None:
        """Take the stamps up to `end` as they are, in the state as it is."""
        begin = batch.done
        if end <= begin:
            return
        batch.native[begin:end] = batch.raw[begin:end] + self._wrapped_ns
        batch.epoch[begin:end] = self.epoch
        if usual:
            earlier = int(batch.steps[begin : end - 1].max(initial=0))
            self._longest_but_last = max(self._longest, earlier)
            self._longest = max(self._longest_but_last, int(batch.steps[end - 1]))
        self._before = int(batch.raw[end - 2]) if end - begin > 1 else (self._last or 0)
        self._last = int(batch.raw[end - 1])
        self._last_arrival = int(batch.arrival_ns[end - 1])
        batch.done = end

    def _pass(self, batch: _Batch, at: int) -> bool:
        """Judge one stamp and go past it; False when that needs a stamp still to come."""
        batch.judge_next = len(batch.raw)
        verdict = self._judge(batch, at)
        if verdict == "wait":
            return False
        if verdict not in ("aside", "stray"):
            self._go_on(batch, at + 1, usual=verdict == "on")
            return True
        shift_ns = self._wrapped_ns - (self.period_ns if verdict == "aside" else 0)
        batch.native[at] = batch.raw[at] + shift_ns
        batch.epoch[at] = self.epoch
        batch.believed[at] = verdict == "aside"
        batch.done = at + 1
        if verdict == "aside":
            batch.judge_next = at + 1
        if at + 1 < len(batch.raw):  # the next one goes on from the one before
            batch.steps[at + 1] += batch.steps[at]
            batch.host[at + 1] = _sum(batch.host[at], batch.host[at + 1])
            if verdict == "stray":
                self._go_on(batch, at + 2)
        return True

    def _judge(self, batch: _Batch, at: int) -> str:
        """Say what a stamp is that does not simply go on, and change the state to it."""
        step, raw = int(batch.steps[at]), int(batch.raw[at])
        host = None if batch.host[at] == NO_TIME else int(batch.host[at])
        row = int(batch.rows[at])
        if step >= 0:
            return self._judge_forward(row, raw, step, host)
        wraps = self._wraps(raw, host)
        if wraps:
            return self._roll(row, raw, wraps)
        if self._is_late(raw, -step, host):
            self.late += 1
            return "late"
        self.looked_ahead += 1
        following = self._following(batch, at)
        if following == _WAIT:
            return "wait"
        if following is not None and self._is_stray(raw, following):
            self.stray += 1
            return "stray"
        return self._restart(row, raw, "restart" if self._clock == TICKS else "set")

    def _judge_forward(self, row: int, raw: int, step: int, host: int | None) -> str:
        period = self.period_ns
        if period and host is not None:
            wraps = round((host - step) / period)
            off = abs(host - step - wraps * period)
            if wraps > 0 and off <= min(_slack(host), period // 4):
                return self._roll(row, raw, wraps)
        if period and self._wrapped_ns and period - self._across_ns() < step < period:
            self.late += 1
            return "aside"
        if self._clock != TICKS and step > _SET_NS and (host is None or host < step // 2):
            return self._restart(row, raw, "set")
        if host is not None and host - step > max(_PAUSE_NS, host // 4):
            return self._restart(row, raw, "restart or pause" if self._clock == TICKS else "set")
        return "on"

    def _wraps(self, raw: int, host: int | None) -> int:
        """How many times the counter ran over in a step back; 0 when it did not."""
        last = self._last or 0
        for bits, period in self._periods():
            if last >= period:
                continue
            elapsed = raw - last + period
            near = self._near(bits, period)
            wraps = int(host is None and elapsed <= near)
            if host is not None:
                slack = _slack(host)
                more = max(round((host - elapsed) / period), 0)
                off = abs(host - elapsed - more * period)
                if period == self.period_ns and off <= min(slack, max(period // 4, slack // 4)):
                    wraps = more + 1
                elif elapsed <= near and host <= elapsed + slack:
                    wraps = 1  # a host that gives late stamps in a heap says too little
            if wraps:
                if period != self.period_ns:
                    self.period_ns, self.found_bits = period, bits
                return wraps
        return 0

    def _periods(self) -> list[tuple[int, int]]:
        """Widths in bits and periods in ns that may be; 0 bits is a day of 24 hours."""
        if self._clock == DAY:
            return [(0, DAY_NS)]
        if self._clock != TICKS:
            return []
        if self.period_ns:
            return [(self._bits or self.found_bits, self.period_ns)]
        unit = self._unit_ns
        shortened = [(32, 1000 << 32)] if unit == MS_NS else []
        return [(32, unit << 32), *shortened, (16, unit << 16)]

    def _near(self, bits: int, period: int) -> int:
        """How short a step modulo the period must be to pass for a rollover without a host."""
        if period == self.period_ns or not bits:
            return max(min(period // 4, _USUAL_NS), min(2 * self._longest, period // 2))
        usual = max(_USUAL_NS, 2 * self._longest) if bits == 32 else 2 * self._longest
        return min(period // 8, usual)

    def _is_late(self, raw: int, back: int, host: int | None) -> bool:
        if back <= _LATE_NS:
            return True
        last = self._last or 0
        if back <= _LATE_AT_MOST_NS and (raw >= last // 2 or self._clock == WALL):
            return host is None or host <= _LATE_AT_MOST_NS
        # The stamp before was a stray one, far ahead: this one goes on from the one before that.
        usual = max(2 * self._longest_but_last, SECOND_NS)
        ahead = last - self._before
        if not (raw > _START_NS and 0 <= raw - self._before <= usual < ahead // 4):
            return False
        self._longest = self._longest_but_last
        return True

    def _is_stray(self, raw: int, following: int) -> bool:
        last = self._last or 0
        on = following - last
        usual = max(self._longest, SECOND_NS)
        return last > _START_NS and 0 <= on <= 2 * usual and following - raw > 4 * max(usual, on)

    def _following(self, batch: _Batch, at: int) -> int | None:
        """The raw stamp after this one; None when none is near, `_WAIT` when it may still come."""
        row = int(batch.rows[at])
        if at + 1 < len(batch.rows) and batch.rows[at + 1] - row <= AHEAD_ROWS:
            return int(batch.raw[at + 1])
        return None if batch.final or batch.rows_seen - row > AHEAD_ROWS else _WAIT

    def _roll(self, row: int, raw: int, wraps: int) -> str:
        before_ns = (self._last or 0) + self._wrapped_ns
        self._wrapped_ns += wraps * self.period_ns
        after_ns = raw + self._wrapped_ns
        if len(self.rollovers) < _REMEMBERED:
            self.rollovers.append(Jump(row, "rollover", before_ns, after_ns, self.epoch, wraps))
        return "rollover"

    def _restart(self, row: int, raw: int, kind: str) -> str:
        before_ns = (self._last or 0) + self._wrapped_ns
        self.epoch += 1
        self._wrapped_ns = 0
        if len(self.restarts) < _REMEMBERED:
            self.restarts.append(Jump(row, kind, before_ns, raw, self.epoch))
        return kind


def _slack(host_ns: int) -> int:
    """How far host and firmware may differ over a step: delay, and 2 % of a poor oscillator."""
    return _HOST_SLACK_NS + host_ns // 50


def _sum(a: np.int64, b: np.int64) -> np.int64:
    return np.int64(NO_TIME) if NO_TIME in (a, b) else a + b

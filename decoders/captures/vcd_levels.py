"""The levels of the chosen lines while a value change dump is read, and the rows they make.

All changes at one time stamp make one level word: the last value of each line at that time wins.
So the word of the newest stamp is settled only when a later stamp comes.

What is not known is never made into an edge:

- between `$dumpoff` and `$dumpon` nothing is observed: the stretch of rows closes, another begins;
- with `strict` a stretch also closes while any line is x, or has had no value yet;
- without, a line that is x keeps its last level (high before its first), the others go on; when it
  comes back with another level, a new stretch begins there, for nobody saw the edge.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from decoders.captures.edges import Assumed, Edges, Levels

MOST_ROWS = 1 << 17  # rows held before a block of edges is given out
_INT64_MAX = (1 << 63) - 1


class Rows:
    """Collects rows into blocks of edges; a stretch of observation may span several blocks."""

    def __init__(self, lines: int) -> None:
        self.dtype = np.min_scalar_type((1 << lines) - 1)
        self.count = 0  # rows so far in the columns, given out or not
        self.blocks: list[Edges] = []  # ready to be given out
        self._t_ns: npt.NDArray[np.int64] = np.empty(MOST_ROWS, np.int64)
        self._levels: Levels = np.empty(MOST_ROWS, self.dtype)
        self._used = 0
        self._late_t: list[int] = []  # rows added one by one, not yet in the arrays
        self._late_levels: list[int] = []
        self._begins = True

    @property
    def any(self) -> bool:
        """Whether any row came so far."""
        return bool(self.count or self._late_t)

    def add(self, t_ns: int, word: int) -> None:
        """One row more."""
        self._late_t.append(t_ns)
        self._late_levels.append(word)
        if len(self._late_t) >= 4096:
            self._move_late()

    def extend(self, t_ns: npt.NDArray[np.int64], levels: Levels) -> None:
        """Rows from columns, which are copied."""
        self._move_late()
        done = 0
        while done < len(t_ns):
            take = min(len(t_ns) - done, MOST_ROWS - self._used)
            used = self._used + take
            self._t_ns[self._used : used] = t_ns[done : done + take]
            self._levels[self._used : used] = levels[done : done + take]
            self._used, done = used, done + take
            self.count += take
            if used == MOST_ROWS:
                self.give(int(self._t_ns[used - 1]))

    def give(self, until_ns: int) -> None:
        """Make what is held a block; the stretch goes on."""
        self._move_late()
        if self._used:
            self._block(until_ns)

    def close(self, until_ns: int) -> None:
        """Make what is held the last block of its stretch; the next row begins another."""
        self._move_late()
        self._block(until_ns)
        self._begins = True

    def _block(self, until_ns: int) -> None:
        t_ns, levels = self._t_ns[: self._used].copy(), self._levels[: self._used].copy()
        self.blocks.append(Edges(t_ns, levels, self._begins, until_ns))
        self._begins = False
        self._used = 0

    def _move_late(self) -> None:
        if self._late_t:
            t_ns = np.array(self._late_t, np.int64)
            levels = np.array(self._late_levels, self.dtype)
            self._late_t, self._late_levels = [], []
            self.extend(t_ns, levels)


class LevelState:
    """Levels at the newest time stamp; settled into rows when the time goes on."""

    def __init__(self, names: Sequence[str], exponent: int, strict: bool, assumed: Assumed) -> None:
        self.rows = Rows(len(names))
        self.everything = (1 << len(names)) - 1
        self.raw = 0  # newest time stamp, in units of 10**exponent ns
        self.word = self.everything  # a line without a value stands high, as if pulled up
        self.unknown = self.everything  # lines that are x now
        self.off = False  # between $dumpoff and $dumpon
        self.broken = False  # $dumpoff or $dumpon at the newest stamp
        self.open = False  # whether the settled levels belong to a stretch
        self.multiplier: int = 10 ** max(exponent, 0)
        self.divisor: int = 10 ** max(-exponent, 0)
        self.latest = ((_INT64_MAX + 1) * self.divisor - 1) // self.multiplier
        self.last = self.word  # the settled word
        self._names = names
        self._strict = strict
        self._assumed = assumed
        self._never = self.everything  # lines without any value so far
        self._settled_unknown = self.everything
        self._told = 0  # lines a remark was made of

    @property
    def plain(self) -> bool:
        """Whether a change of a known line can do nothing but make a row."""
        known = not (self._strict and self.unknown)
        return self.open and known and not self.off and not self.broken

    @property
    def any_rows(self) -> bool:
        """Whether there are rows, or will be when the newest stamp is settled."""
        known = not self.unknown if self._strict else self.unknown != self.everything
        return self.rows.any or (known and not self.off)

    def ns(self, raw: int) -> int:
        """A time stamp in whole ns, exact, the rest cut off."""
        return raw * self.multiplier // self.divisor

    def settle(self) -> None:
        """Make the levels of the newest time stamp final, because a later one has come."""
        observed = not self.off and self.unknown != self.everything
        if self._strict and self.unknown:
            observed = False
        if self.unknown != self._settled_unknown:
            self._tell(observed)
        if self.open:
            returned = self._settled_unknown & ~self.unknown & (self.word ^ self.last)
            if self.broken or returned or not observed:
                self.rows.close(self.ns(self.raw))
                self.open = False
        if observed and (not self.open or self.word != self.last):
            self.rows.add(self.ns(self.raw), self.word)
            self.open = True
        self.last, self._settled_unknown, self.broken = self.word, self.unknown, False

    def advance(self, base: int, raw: npt.NDArray[np.int64], words: Levels) -> None:
        """Settle, then take further steps as columns; only while `plain`.

        Args:
            base: a time stamp, 0 or a multiple of 10**8 (so of the divisor).
            raw: [n] time stamps less base, rising, the first later than the newest; n > 0. The
                last is at most `latest`.
            words: [n] the settled levels of each step; those of the last step stay open.
        """
        self.settle()
        if len(raw) > 1:
            changed = np.empty(len(raw) - 1, np.bool_)
            changed[0] = words[0] != self.last
            np.not_equal(words[1:-1], words[:-2], out=changed[1:])
            times = raw[:-1] * self.multiplier if self.multiplier > 1 else raw[:-1]
            if self.divisor > 1:
                times = times // self.divisor
            if base:
                times = times + base * self.multiplier // self.divisor
            self.last = int(words[-2])
            if changed.all():
                self.rows.extend(times, words[:-1])
            else:
                self.rows.extend(times[changed], words[:-1][changed])
        self.raw, self.word = base + int(raw[-1]), int(words[-1])

    def give(self) -> list[Edges]:
        """Blocks of all settled rows."""
        self.rows.give(self.ns(self.raw))
        blocks, self.rows.blocks = self.rows.blocks, []
        return blocks

    def finish(self) -> list[Edges]:
        """Settle, and give what is left."""
        self.settle()
        if self.open:
            self.rows.close(self.ns(self.raw))
            self.open = False
        self._tell_of_silent_lines()
        return self.give()

    def never(self) -> list[str]:
        """Names of the lines that had no value so far."""
        return [name for k, name in enumerate(self._names) if self._never >> k & 1]

    def _tell(self, observed: bool) -> None:
        """Make a remark of each line that is x, or had its first level later than others."""
        first = self._never & ~self.unknown
        self._never &= self.unknown
        at = f"{self.ns(self.raw)} ns"
        if self.open and not self._strict and first:
            for name in self._names_of(first):
                self._remark(f"line {name!r} has no level before {at}, and is read as high there")
        lost = self.unknown & ~self._settled_unknown & ~self._told
        if lost and not self.off:
            self._told |= lost
            how = (
                "stretches without its level are not observed"
                if self._strict
                else "it is read as keeping its level while it is x"
            )
            for name in self._names_of(lost):
                self._remark(f"line {name!r} is unknown (x) first at {at}: {how}")

    def _tell_of_silent_lines(self) -> None:
        silent = self.never()
        if silent and not self._strict:
            names = ", ".join(repr(name) for name in silent[:4])
            more = f" and {len(silent) - 4} more" if len(silent) > 4 else ""
            self._remark(f"no level at all for {names}{more}: read as high")

    def _names_of(self, mask: int) -> list[str]:
        return [name for k, name in enumerate(self._names) if mask >> k & 1]

    def _remark(self, text: str) -> None:
        if len(self._assumed.remarks) < 32:  # more would hide the rest
            self._assumed.remarks.append(text)

"""I2C from edges to transactions and line states (UM10204 Rev. 7.0), as a fold.

Theory of operation. Rows that change neither line are left out; pulses shorter than `spike_ns` are
taken out and reported (spikes.py). Each remaining row is a clock edge, a change of data, or a
condition (i2c_conditions.py). Conditions cut the rows into segments (i2c_segments.py), and the
segments' bits are read nine at a time (i2c_bytes.py, i2c_fold.py).

What is reported when:

- A transaction when it ends. A START inside a byte, or after both lines were high for `held_ns`
  with no STOP, is a START out of place: the transaction before it ended by `start`.
- A hold when it ends, or at the end of what was observed. To be a hold, SCL was low for `held_ns`,
  or SDA was low for `held_ns` with SCL high and no edge. The transaction goes on if clocks resume.
  `unfinished` tells what lasts at the moment.
- An observed stretch that begins inside a transaction has one row begun by `cut`, without address
  and data, up to the first condition: without a START nobody can tell where its bytes begin.

Every edge lies in a transaction or in a line state.
"""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import numpy.typing as npt

from decoders.buses.held_lines import NOT_OBSERVED, SPIKE, StateRow, state_row
from decoders.buses.i2c_fold import SegmentFold
from decoders.buses.spikes import may_have_spikes, without_spikes
from decoders.buses.transactions import (
    LineStates,
    Transactions,
    concatenated,
    line_states,
    no_transactions,
)
from decoders.captures.edges import Edges

_BLOCK = 1 << 17  # rows worked on at once: larger falls out of the cache, smaller costs calls
_NO_TIMES = np.empty(0, np.int64)

Tables = tuple[Transactions, LineStates]
_NOTHING: Tables = no_transactions(), line_states()


class I2cDecoder:
    """Decode one bus; however the edges are cut into blocks, all rows together are the same.

    Args:
        scl: bit number of SCL in `Edges.levels`.
        sda: bit number of SDA.
        spike_ns: pulses shorter than this are taken out; 0 takes out nothing.
        held_ns: a line low for this long is held; SMBus devices give up after 25 ms.
        wait_ns: rows wait for more until so much time is covered, since many small blocks cost
            more than few large ones. None: until there are enough, which is best for files.

    Raises:
        ValueError: if the lines are one, or a number is impossible.
    """

    def __init__(
        self,
        scl: int,
        sda: int,
        *,
        spike_ns: int = 50,
        held_ns: int = 25_000_000,
        wait_ns: int | None = 20_000_000,
    ) -> None:
        if scl == sda or not (0 <= scl < 64 and 0 <= sda < 64):
            raise ValueError(f"SCL and SDA must be two bits of 0..63: {scl}, {sda}")
        if spike_ns < 0 or held_ns <= 0:
            raise ValueError(f"impossible limits: spike_ns={spike_ns}, held_ns={held_ns}")
        self._scl, self._sda = scl, sda
        self._spike_ns, self._held_ns, self._wait_ns = spike_ns, held_ns, wait_ns
        self._fold: SegmentFold | None = None  # of the stretch that is observed; None before any
        self._until_ns = 0
        self._filtered = (0, 0)  # levels of SCL and SDA after the filter
        self._rows = _Rows(_BLOCK)
        self._states: list[StateRow] = []
        self._done: list[Transactions] = []
        self._done_states: list[LineStates] = []

    def feed(self, edges: Edges) -> Tables:
        """Take the next edges; return the rows they complete."""
        t_ns, levels = edges.t_ns, edges.levels
        n = len(t_ns)
        at = 0
        if n and (edges.begins or self._fold is None):
            self._begin(int(t_ns[0]), int(levels[0]))
            at = 1
        while at < n:
            taken = min(n - at, self._rows.space())
            self._rows.append(t_ns[at : at + taken], levels[at : at + taken], self._scl, self._sda)
            at += taken
            if not self._rows.space():
                self._work(int(t_ns[at - 1]), last=False)
        self._until_ns = max(self._until_ns, edges.until_ns) if self._fold else edges.until_ns
        waited_ns = self._until_ns - self._rows.first_ns() if self._rows.count else -1
        if self._wait_ns is not None and waited_ns >= self._wait_ns:
            self._work(self._until_ns, last=False)
        return self._given()

    def finish(self) -> Tables:
        """Close what is open; feed nothing after this."""
        self._end()
        return self._given()

    def unfinished(self) -> Tables:
        """What `finish` would return now, such as a hold that lasts; the decoder is not changed."""
        return copy.deepcopy(self).finish()

    def _begin(self, t_ns: int, levels: int) -> None:
        if self._fold is not None:
            self._end()
            if t_ns > self._until_ns:
                self._states.append(state_row(self._until_ns, t_ns, NOT_OBSERVED))
        scl, sda = levels >> self._scl & 1, levels >> self._sda & 1
        self._fold = SegmentFold(t_ns, scl, sda, self._held_ns)
        self._filtered = (scl, sda)
        self._rows.begin(t_ns, scl, sda)
        self._until_ns = t_ns

    def _end(self) -> None:
        if self._fold is None:
            return
        self._work(self._until_ns, last=True)
        self._fold.finish(self._until_ns)
        self._collect()
        self._fold = None

    def _work(self, until_ns: int, *, last: bool) -> None:
        """Decode the rows that nothing after `until_ns` can change; at the last, all."""
        fold, rows = self._fold, self._rows
        assert fold is not None
        rows.drop_unchanged()
        n = rows.count
        t_ns, scl, sda = rows.columns()
        release = n
        if self._spike_ns and not last:
            release = int(t_ns.searchsorted(until_ns - self._spike_ns, "right"))
        rows.t_ns[0] = fold.last_ns
        gap_ns = np.subtract(t_ns, rows.t_ns[:n], out=rows.gap_ns[:n])
        is_clean = not self._spike_ns or (
            self._filtered == (int(scl[0]), int(sda[0]))
            and not may_have_spikes(gap_ns, scl, sda, self._spike_ns)
        )
        if is_clean:
            m = release + 1
            fold.feed(t_ns[:release], scl[:m], sda[:m], gap_ns[:release], _NO_TIMES)
            self._filtered = int(scl[release]), int(sda[release])
        else:
            self._work_filtered(fold, t_ns, scl, sda, release)
        rows.keep_from(release)
        self._collect()

    def _work_filtered(
        self,
        fold: SegmentFold,
        t_ns: npt.NDArray[np.int64],
        scl: npt.NDArray[np.uint8],
        sda: npt.NDArray[np.uint8],
        release: int,
    ) -> None:
        clean = without_spikes(t_ns, scl, sda, release, self._filtered, self._spike_ns)
        gap_ns = np.diff(clean.t_ns, prepend=fold.last_ns)
        fold.feed(clean.t_ns, clean.scl, clean.sda, gap_ns, clean.spike_start_ns)
        self._filtered = int(clean.scl[-1]), int(clean.sda[-1])
        spikes = zip(clean.spike_start_ns.tolist(), clean.spike_end_ns.tolist(), strict=True)
        self._states.extend(state_row(start, end, SPIKE) for start, end in spikes)

    def _collect(self) -> None:
        assert self._fold is not None
        tables, states = self._fold.take()
        self._done.extend(tables)
        if len(states):
            self._done_states.append(states)

    def _given(self) -> Tables:
        if not (self._done or self._done_states or self._states):
            return _NOTHING
        done, states = self._done, [*self._done_states, line_states(self._states)]
        self._done, self._done_states, self._states = [], [], []
        return concatenated(done), concatenated(states)


class _Rows:
    """Rows that wait to be decoded; row 0 is the state before them. Scratch that is kept."""

    def __init__(self, room: int) -> None:
        self.count = 0
        self._make(room + 1)

    def _make(self, size: int) -> None:
        self.t_ns = np.empty(size, np.int64)
        self.gap_ns = np.empty(size, np.int64)
        self._scl = np.empty(size, np.uint8)
        self._sda = np.empty(size, np.uint8)

    def begin(self, t_ns: int, scl: int, sda: int) -> None:
        """Start anew from a state."""
        self.count = 0
        self.t_ns[0], self._scl[0], self._sda[0] = t_ns, scl, sda

    def space(self) -> int:
        """How many rows there is room for."""
        return len(self.t_ns) - 1 - self.count

    def first_ns(self) -> int:
        """Time of the first row that waits."""
        return int(self.t_ns[1])

    def columns(
        self,
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
        """Views: times of the rows, levels of SCL and SDA with the state before."""
        n = self.count
        return self.t_ns[1 : n + 1], self._scl[: n + 1], self._sda[: n + 1]

    def append(
        self, t_ns: npt.NDArray[np.int64], levels: npt.NDArray[Any], scl: int, sda: int
    ) -> None:
        """Add rows; there must be room."""
        begin, end = self.count + 1, self.count + 1 + len(t_ns)
        self.t_ns[begin:end] = t_ns
        for bit, column in ((scl, self._scl), (sda, self._sda)):
            mask = levels.dtype.type(1 << bit)
            np.not_equal(levels & mask, 0, out=column[begin:end].view(np.bool_))
        self.count += len(t_ns)

    def drop_unchanged(self) -> None:
        """Leave out rows in which neither line changes."""
        n = self.count
        scl, sda = self._scl[: n + 1], self._sda[: n + 1]
        changed = (scl[1:] ^ scl[:-1]) | (sda[1:] ^ sda[:-1])
        if changed.all():
            return
        kept = changed.nonzero()[0] + 1
        self.count = len(kept)
        for column in (self.t_ns, self._scl, self._sda):
            column[1 : self.count + 1] = column[kept]

    def keep_from(self, row: int) -> None:
        """Drop the first `row` rows; the last of them becomes the state before."""
        rest = slice(row, self.count + 1)
        t_ns, scl, sda = self.t_ns[rest].copy(), self._scl[rest].copy(), self._sda[rest].copy()
        self.count -= row
        if not self.space():  # all within the spike limit: they can only wait
            self._make(2 * len(self.t_ns))
        n = self.count + 1
        self.t_ns[:n], self._scl[:n], self._sda[:n] = t_ns, scl, sda

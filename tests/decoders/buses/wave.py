"""Build waves of one I2C bus edge by edge, good ones and broken ones."""

from __future__ import annotations

import numpy as np

from decoders.captures.edges import Edges

SCL, SDA = 0, 1  # bits of the levels


class Wave:
    """Two lines over time, both high at first. Methods leave SCL low unless they say otherwise.

    Args:
        period_ns: clock period; a quarter of it is the unit of all set-up and hold times.
        at_ns: time of the first row.
        scl, sda: levels of the first row.
    """

    def __init__(
        self, period_ns: int = 10_000, at_ns: int = 0, *, scl: int = 1, sda: int = 1
    ) -> None:
        self.now_ns = at_ns
        self.quarter_ns = period_ns // 4
        self.scl, self.sda = scl, sda
        self.rows: list[tuple[int, int]] = [(at_ns, self._levels())]

    def _levels(self) -> int:
        return self.scl << SCL | self.sda << SDA

    def set(self, *, scl: int | None = None, sda: int | None = None) -> Wave:
        """Set lines now, in one row if any changes."""
        self.scl = self.scl if scl is None else scl
        self.sda = self.sda if sda is None else sda
        if self._levels() != self.rows[-1][1]:
            self.rows.append((self.now_ns, self._levels()))
        return self

    def wait(self, ns: int | None = None) -> Wave:
        """Let time pass; a quarter of the clock period by default."""
        self.now_ns += self.quarter_ns if ns is None else ns
        return self

    def start(self) -> Wave:
        """START, or repeated START when a transaction is open."""
        if not (self.scl and self.sda):
            self.wait().set(sda=1).wait().set(scl=1)
        return self.wait().set(sda=0).wait().set(scl=0)

    def stop(self) -> Wave:
        """STOP; leaves both lines high."""
        return self.wait().set(sda=0).wait().set(scl=1).wait().set(sda=1).wait()

    def bit(self, value: int) -> Wave:
        """One clock."""
        return self.wait().set(sda=value).wait().set(scl=1).wait(2 * self.quarter_ns).set(scl=0)

    def byte(self, value: int, *, ack: bool = True) -> Wave:
        """Eight bits and the acknowledge."""
        for shift in range(7, -1, -1):
            self.bit(value >> shift & 1)
        return self.bit(0 if ack else 1)

    def stretch(self, ns: int) -> Wave:
        """Hold SCL, which is low, for longer."""
        return self.wait(ns)

    def spike(self, line: str, width_ns: int) -> Wave:
        """A short pulse on `scl` or `sda`, away from its present level."""
        self.wait()
        level = getattr(self, line)
        self.set(**{line: 1 - level}).wait(width_ns).set(**{line: level})
        return self.wait()

    def transaction(
        self, address: int, data: bytes, *, read: bool = False, last_acked: bool | None = None
    ) -> Wave:
        """START, address and bytes, all acknowledged but the last byte of a read; no STOP."""
        self.start().byte(address << 1 | read)
        for k, value in enumerate(data):
            last = k == len(data) - 1
            ack = not read if last_acked is None else last_acked
            self.byte(value, ack=ack if last else True)
        return self

    def edges(self, until_ns: int | None = None, *, begins: bool = True) -> Edges:
        """All rows as one block; known up to now, or to `until_ns`."""
        return Edges(
            t_ns=np.array([t for t, _ in self.rows], np.int64),
            levels=np.array([levels for _, levels in self.rows], np.uint8),
            begins=begins,
            until_ns=self.now_ns if until_ns is None else until_ns,
        )

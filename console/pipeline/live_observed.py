"""When a recorded source was observed, from what came of it and happened to it: a fold.

A source is observed from its first record on: that nothing came before proves nothing. It is not
from `closed` or `refused` to `opened`, or to the next data of a driver that does not tell. Where
data were lost, it is not from the record before on, but for one second at most: sources tell a loss
at once, and what was judged earlier stays.
"""

from __future__ import annotations

from array import array

import numpy as np

from console.sources.records import Happened, Record
from console.trust.unobserved import Unobserved

HOLD_NS = 1_000_000_000  # how long after its stamp what is recorded may still change its meaning
_EVER = 2**62
_GONE = ("closed", "refused", "retry")
_SAYS_NEITHER = ("lost", "note")


class Observed:
    """A fold from the records of one source to the spans in which it was not observed."""

    def __init__(self) -> None:
        self._ends = array("q")  # from, until, from, until, ..: sorted and apart
        self._gone_since: int | None = -_EVER
        self._last_ns = -_EVER
        self._spans: Unobserved | None = None

    def feed(self, t_ns: int, record: Record) -> None:
        """Take the next record.

        Args:
            t_ns: its stamp, not before that of the last one.
            record: what it is.
        """
        what = record.what if isinstance(record, Happened) else "data"
        if what in _GONE:
            if self._gone_since is None:
                self._gone_since, self._spans = t_ns, None
        elif what not in _SAYS_NEITHER and self._gone_since is not None:
            self._add(self._gone_since, t_ns)
            self._gone_since = None
        if what == "lost" and self._gone_since is None:
            self._add(max(self._last_ns, t_ns - HOLD_NS), t_ns)
        self._last_ns = t_ns

    def spans(self) -> Unobserved:
        """Not observed so far; the last of them has no end while the source is gone."""
        if self._spans is None:
            ends = list(self._ends) if self._gone_since is None else self._open_ended()
            columns = np.array(ends, np.int64).reshape(-1, 2)
            self._spans = Unobserved(columns[:, 0].copy(), columns[:, 1].copy())
        return self._spans

    def _open_ended(self) -> list[int]:
        since = -_EVER if self._gone_since is None else self._gone_since
        if self._ends and self._ends[-1] >= since:
            return [*self._ends[:-1], _EVER]
        return [*self._ends, since, _EVER]

    def _add(self, from_ns: int, until_ns: int) -> None:
        self._spans = None
        if self._ends and self._ends[-1] >= from_ns:
            self._ends[-1] = max(self._ends[-1], until_ns)
        else:
            self._ends.extend((from_ns, until_ns))

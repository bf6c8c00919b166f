"""Signs in the bytes of replies: frozen, two contents, always the same wrong pair."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from console.diagnosis.causes.noise import noisy_bytes
from console.diagnosis.causes.traffic import Traffic, runs_of

Bytes = npt.NDArray[np.uint8]

_COMPARED = 5  # replies at least, of each kind
_LATEST = 400  # replies
_HARDLY = 0.1  # share of replies
_MOVED = 10  # replies before, or a constant register would count
_FEWEST = 30  # replies from which a device's own habits can be told


@dataclass(frozen=True, slots=True)
class Frozen:
    """The longest run of one payload, beside those before it; in polls of one request."""

    run: int
    usual_run: int  # the longest before
    begins_ns: int
    lasts: bool  # to the end
    before: int  # replies before the run
    total: int
    noisy: bool = False  # a byte had noise of its own, and stands at no end of its scale

    @property
    def beyond(self) -> bool:
        """Whether its own noise never came near such a run.

        A device whose runs were r at most repeats a value with probability 1 - 1/r or so at each
        poll: a run of 12 r by chance has probability about e^-12. What never moved is no measure.
        """
        moved = self.before >= _MOVED and self.usual_run < self.total / 8
        return moved and self.run >= max(12, 12 * self.usual_run)


def frozen_of(replies: pl.DataFrame) -> Frozen | None:
    """The request whose replies stand still the longest beside what they did; None with too few."""
    groups = replies.partition_by("asked", "length", maintain_order=True)
    found = [_frozen(rows) for rows in groups if rows.height >= _FEWEST]
    return max(found, key=lambda each: (each.beyond, each.run), default=None)


def _frozen(rows: pl.DataFrame) -> Frozen:
    data = rows["data"]
    same = (data == data.shift(1)).fill_null(value=False).to_numpy()
    begins, lengths = runs_of(same)
    if not len(begins):
        return Frozen(1, 1, 0, lasts=False, before=0, total=rows.height)
    best = int(np.argmax(lengths))
    others = np.delete(lengths, best)
    return Frozen(
        run=int(lengths[best]) + 1,
        usual_run=int(others.max(initial=0)) + 1,
        begins_ns=int(rows["start_ns"][int(begins[best])]),
        lasts=bool(begins[best] + lengths[best] == rows.height),
        before=int(begins[best]),
        total=rows.height,
        noisy=_measured(bytes_of(rows.head(int(begins[best])).tail(_LATEST))),
    )


def _measured(table: Bytes) -> bool:
    """Whether the last reply stands amid noise: a speed rests at 0, an input over range at FF."""
    between = ~np.isin(table[-1], (0x00, 0xFF))
    return bool((noisy_bytes(table) & between).any())


def commonest(replies: pl.DataFrame) -> pl.DataFrame:
    """The replies of the request and length that are most frequent."""
    if not replies.height:
        return replies
    counts = replies.group_by("asked", "length").len().sort("len", "asked", "length")
    asked, length, _ = counts.row(-1)
    return replies.filter((pl.col("asked") == asked) & (pl.col("length") == length))


def two_contents(replies: pl.DataFrame) -> tuple[int, int]:
    """How often the first two bytes change, and how many values they have, if that is two."""
    common = commonest(replies)
    firsts = common["data"].str.slice(0, 4)
    kinds = firsts.unique()
    if kinds.len() != 2 or common.height < _FEWEST:
        return 0, kinds.len()
    return int((firsts != firsts.shift(1)).sum()), 2


def counts_anded(table: Bytes) -> int:
    """From which row on a byte that counted shows its count with bits missing; -1: from none.

    What two devices send at once is the AND of both (UM10204 section 3.1.8), so every value is
    within the count that was due; a device by itself, frozen or reset, soon leaves it.

    Args:
        table: uint8[n, length] replies to one request.
    """
    due_steps = np.arange(len(table))
    for column in table.T.astype(np.int64):
        due = (column[0] + due_steps) % 256
        off = np.flatnonzero(column != due)
        if len(off) < 5 or off[0] < 20:
            continue
        late, expected = column[off[0] :], due[off[0] :]
        within = np.mean((late & ~expected) == 0)
        if within >= 0.95 and len(np.unique(late)) >= 4 and len(off) >= 0.3 * len(late):
            return int(off[0])
    return -1


def anded_since(replies: pl.DataFrame) -> int | None:
    """From which reply on bits that were always set are never set, and none is new; ns.

    Two devices that answer at once pull SDA low for both: what is read is the AND of their bytes
    (UM10204 section 3.1.8).
    """
    common = commonest(replies).tail(_LATEST)
    if common.height < 30:
        return None
    table = bytes_of(common)
    counted = counts_anded(table)
    if counted >= 0:
        return int(common["start_ns"][counted])
    always: Bytes = np.bitwise_and.accumulate(table, axis=0)[:-1]
    ever: Bytes = np.bitwise_or.accumulate(table, axis=0)[:-1]
    later: Bytes = np.bitwise_or.accumulate(table[::-1], axis=0)[::-1][1:]
    lost = np.unpackbits(np.bitwise_and(always, np.invert(later)), axis=1).sum(axis=1)[19:-5]
    gained = np.bitwise_and(later, np.invert(ever)).max(axis=1)[19:-5] > 0
    mixed = np.flatnonzero((lost >= 2) & ~gained)
    return int(common["start_ns"][int(mixed[0]) + 20]) if len(mixed) else None


def wrong_pairs(bad: pl.DataFrame | None, traffic: Traffic) -> tuple[int, int, bool]:
    """Of wrong replies: how many are the same, how many there are, and whether that one passed."""
    if bad is None or not bad.height:
        return 0, 0, False
    (data, count) = Counter(bad["data"].to_list()).most_common(1)[0]
    good = traffic.replies.filter(~pl.col("start_ns").is_in(bad["start_ns"].implode()))
    return count, bad.height, bool((good["data"] == data).any())


def other_layout(replies: pl.DataFrame, others: pl.DataFrame) -> bool:
    """Whether `others` to the same request mean something else than `replies`.

    Some byte that stays in the reach it had in the first half of the replies is beyond it, from the
    first on, in nearly all of the others.
    """
    common = commonest(replies)
    if common.height < 2 * _COMPARED:
        return False
    asked, length = common["asked"][0], common["length"][0]
    rest = others.filter((pl.col("asked") == asked) & (pl.col("length") == length))
    if rest.height < _COMPARED:
        return False
    table, other = bytes_of(common), bytes_of(rest)
    known, later = table[: len(table) // 2], table[len(table) // 2 :]
    steady = _beyond(known, later).mean(axis=0) <= _HARDLY
    jumped = _beyond(table, other)
    whole = jumped.mean(axis=0) >= 1 - _HARDLY
    return bool((steady & whole & jumped[:_COMPARED].all(axis=0)).any())


def _beyond(known: Bytes, table: Bytes) -> npt.NDArray[np.bool_]:
    """bool[n, length]: bytes further from the known ones' reach than that reach is wide."""
    low, high = known.min(axis=0).astype(np.int64), known.max(axis=0).astype(np.int64)
    margin = high - low + 1
    return np.asarray((table < low - margin) | (table > high + margin), np.bool_)


def bytes_of(rows: pl.DataFrame) -> Bytes:
    """uint8[n, length] of replies of one length."""
    length = int(rows["length"][0]) if rows.height else 0
    return np.frombuffer(bytes.fromhex("".join(rows["data"].to_list())), np.uint8).reshape(
        rows.height, length
    )

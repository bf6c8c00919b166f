"""Faulty replies as findings: each kind once a target, with how many, the first and the last.

These are about a whole run: what is usual is learned from all of it, before a faulty reply and
behind it. So they are found when a run is read and not while it is recorded, and how it was cut
into batches does not come into it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from console.diagnosis.replies.check_code_search import Hit, search
from console.diagnosis.replies.check_formula import Formula
from console.diagnosis.replies.faults import reply_faults
from console.diagnosis.replies.stream import Replies, Target, replies_by_target
from console.watch.findings import Finding, Severity, Tally, counted
from console.watch.names import Names
from console.watch.rule import Words

RULE = "reply-shape"
MOST_REPLIES = 200_000  # of one target that are looked at
BLOCK = 50_000  # of a longer run, pieces of so many, spread over it
MOST_WORDS = 5  # kinds of words kept in the evidence
_SEARCHED = 200  # replies of a shape in which a check code is sought
SHAPES_SEARCHED = 4  # shapes of a target whose check code is sought, the commonest first

_IN_WORDS = {
    "filler": "{} of nothing but filler",
    "padded": "{} with filler from some byte on",
    "leftover": "{} that begin with the end of the reply before",
    "slipped": "{} shifted by some bytes",
    "swapped": "{} that make sense with bytes in the other order",
    "sign": "{} that make sense with the other sign",
    "stale": "{} that answer the request before, or repeat the reply before",
    "frozen": "{} that stand still for longer than ever before",
    "sequence": "{} whose counter jumped",
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which targets are looked at, and how grave what is found there is."""

    severity: Severity = "warning"
    device: str | None = None  # None: every target
    leave_out: Collection[str] = ()  # faults that are not told


@dataclass(slots=True)
class _Told:
    """One kind of fault of one target."""

    tally: Tally = field(default_factory=Tally)
    words: Counter[str] = field(default_factory=Counter)


def reply_findings(
    transactions: pl.DataFrame, names: Names, start_ns: int, wanted: Wanted | None = None
) -> list[Finding]:
    """Faulty replies of every target, one finding a target and kind.

    Args:
        transactions: the whole table, in time order.
        names: who is who.
        start_ns: of the run, to count times in words from.
        wanted: which targets; all of them, as warnings, if left out.
    """
    asked = wanted or Wanted()
    found: list[Finding] = []
    for target, replies in replies_by_target(transactions):
        device = names.device(target.bus, target.address, target.address_bits)
        if asked.device in (None, device):
            found += _of_target(target, device, replies, names, Words(start_ns), asked)
    return found


def _of_target(
    target: Target, device: str, replies: Replies, names: Names, words: Words, wanted: Wanted
) -> Iterator[Finding]:
    formula = formula_of(replies, target) if _has_filler(replies) else None
    told: dict[str, _Told] = {}
    looked_at = 0
    for part in _parts(replies):
        looked_at += len(part)
        for row in reply_faults(part, formula).iter_rows(named=True):
            kind = told.setdefault(row["fault"], _Told())
            kind.tally.add(np.array([row["t_ns"]], np.int64))
            kind.words[row["words"]] += 1
    for fault, kind in told.items():
        if fault in wanted.leave_out:
            continue
        tally = kind.tally
        evidence: dict[str, Any] = {
            "device": device,
            "address": target.address,
            "problem": fault,
            "of": looked_at,
            "words": dict(kind.words.most_common(MOST_WORDS)),
            "check_code": None if formula is None else formula.in_words(),
            **tally.evidence(),
        }
        summary = f"{device}: {_summary(fault, kind, looked_at)}, {_when(tally, words)}"
        party = names.party(device)
        yield Finding(
            tally.first_ns, RULE, wanted.severity, party, target.source, summary, evidence
        )


def _summary(fault: str, kind: _Told, looked_at: int) -> str:
    """`3 replies of 2,000 of nothing but filler (nothing but FF: ..)`."""
    many = f"{counted(kind.tally.count, 'reply', 'replies')} of {looked_at:,}"
    return f"{_IN_WORDS[fault].format(many)} ({kind.words.most_common(1)[0][0]})"


def _when(tally: Tally, words: Words) -> str:
    when = f"at {words.at(tally.first_ns)}"
    return when if tally.count == 1 else f"first {when}, last at {words.at(tally.last_ns)}"


def _has_filler(replies: Replies) -> bool:
    """Whether some replies, and not most, may be filler: only then its check code is asked for."""
    head = replies.data[:, :2]
    blank = ((head == 0xFF) | (head == 0)).all(axis=1)
    return bool(0 < blank.sum() < len(replies) / 2)


def _parts(replies: Replies) -> Iterator[Replies]:
    """All replies, or pieces of very many."""
    if len(replies) <= MOST_REPLIES:
        yield replies
        return
    pieces = MOST_REPLIES // BLOCK
    for first in np.linspace(0, len(replies) - BLOCK, pieces).astype(int).tolist():
        at = slice(first, first + BLOCK)
        yield replies.part(at)


def formula_of(replies: Replies, target: Target) -> Formula | None:
    """The catalogued check code that the replies of a target carry, as far as they show it."""
    read = bytes([(target.address << 1 | 1) & 0xFF])
    sizes = np.bincount(replies.shape)
    best: Hit | None = None
    for shape in np.argsort(-sizes)[:SHAPES_SEARCHED].tolist():
        at = replies.of_shape(shape)[:_SEARCHED]
        length = int(replies.length[at[0]])
        if length < 2:
            continue  # no room for a byte and its code
        frames = [bytes(row) for row in replies.data[at, :length]]
        hits = search(frames, [read], every=False)
        if hits and (best is None or hits[0].share > best.share):
            best = hits[0]
    return None if best is None else best.formula

"""The value on the wire against the printed and the published one: differences that are a rule.

Two kinds of event carry the same value when they name it alike (`level`, `level_cm`) and one of
them comes from the other: the wire before the print, the print before the message. Each later value
is held against the last one before it. It may be that value; it may be the one of the poll before,
or be off by a fixed number or factor, or have its bytes in the other order or its sign lost. Only
what holds for nearly all of many different values is told. A factor that is a power of ten is
another unit, and no fault.

A value of all ones that is printed while nothing came from the wire, though it was watched, was
made up on the way.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from console.timeline.links.kinds import EventKind, kinds_of
from console.timeline.numbers.units import unit_of_name
from console.timeline.parties import Parties
from console.trust.unobserved import NOTHING, Unobserved
from console.watch.findings import Finding, counted
from console.watch.rule import Words

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]

RULE = "value-differs"
MOST_ROWS = 200_000  # of each table, the last ones
FEWEST = 12  # pairs of values, and different values among them
SHARE = 0.9  # of the pairs for which a relation must hold
LATE = 2.0  # usual times between two replies, after which none came
SAME = 1e-9  # relative; beyond it two numbers are two
# All ones of 8, 16 and 32 bits, read with and without a sign, and in tenths.
ALL_ONES = (255.0, 65_535.0, 4_294_967_295.0, -1.0, -0.1, 6_553.5, 25.5, 2_147_483_647.0)
_TABLES = ("packets", "prints", "messages")
_SAYS = {"packets": "carries", "prints": "prints", "messages": "publishes"}


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """One number of one kind of event, at each of its k events."""

    kind: EventKind
    party: str
    name: str  # as it stands there
    values: Floats  # [k]

    @property
    def about(self) -> str:
        """The name without its unit."""
        unit = unit_of_name(self.name)
        return self.name[: len(self.name) - len(unit)].rstrip("_ -").casefold() or self.name

    @property
    def unit(self) -> str:
        """The unit its name ends with, or none."""
        return unit_of_name(self.name)


@dataclass(frozen=True, slots=True)
class Relation:
    """How a later value differs from the one it comes from."""

    problem: str
    words: str
    pairs: int
    of: int
    first_ns: int
    last_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """What of the wire was watched. Where it was not, no reply is missing."""

    until_ns: Mapping[str, int] = field(default_factory=dict)  # of each source; none: not at all
    unobserved: Mapping[str, Unobserved] = field(default_factory=dict)  # spans of each source

    def whole(self, source: str, from_ns: Ints, until_ns: Ints) -> Truths:
        """bool[k]: which of k stretches of time a source was watched all through."""
        if source not in self.until_ns:
            return np.zeros(len(from_ns), np.bool_)
        gaps = self.unobserved.get(source, NOTHING).touches(from_ns, until_ns)
        watched: Truths = (until_ns <= self.until_ns[source]) & ~gaps
        return watched


def value_findings(
    tables: Mapping[str, pl.DataFrame], parties: Parties, start_ns: int, watched: Watched
) -> list[Finding]:
    """Printed and published values that differ from those they come from by a rule.

    Args:
        tables: every table of events, on the common axis.
        parties: whose each row is.
        start_ns: of the run, to count times in words from.
        watched: what of the wire was.
    """
    if sum(tables[name].height > 0 for name in _TABLES) < 2:
        return []
    some = {name: table.tail(MOST_ROWS) for name, table in tables.items()}
    told = [each for kind in kinds_of(some, parties) for each in _told(kind, parties)]
    words = Words(start_ns)
    return [
        _finding(cause, effect, relation, words)
        for cause, effect in _pairs(told)
        for relation in relations(cause, effect, watched)
    ]


def _told(kind: EventKind, parties: Parties) -> Iterator[Told]:
    if kind.table in _TABLES:
        for number in kind.varied:
            yield Told(kind, parties.every[kind.party].name, number.name, number.values)


def _pairs(told: Sequence[Told]) -> Iterator[tuple[Told, Told]]:
    """A number and another that may come from it."""
    for cause, effect in product(told, told):
        if cause.kind.rank < effect.kind.rank and cause.about == effect.about:
            yield cause, effect


def relations(cause: Told, effect: Told, watched: Watched) -> list[Relation]:
    """How the later value differs, where it does by a rule."""
    if len(cause.values) < FEWEST or not effect.kind.gap_ns:
        return []
    t_ns = effect.kind.from_ns
    slack = _slack_ns(cause, effect)
    if slack > cause.kind.gap_ns / 4:
        return []  # which value came before which cannot be told
    at = np.searchsorted(cause.kind.done_ns, t_ns + slack, side="right") - 1
    heard_ns = cause.kind.done_ns[np.maximum(at, 0)]
    since = t_ns - heard_ns
    there = (at >= 1) & ~np.isnan(effect.values)
    fresh = there & (since <= LATE * cause.kind.gap_ns)
    now, before = cause.values[at[fresh]], cause.values[at[fresh] - 1]
    found = list(_differing(now, before, effect.values[fresh], t_ns[fresh], effect, cause))
    unheard = there & ~fresh & watched.whole(cause.kind.source, heard_ns, t_ns)
    return found + list(_invented(cause, effect, unheard))


def _slack_ns(cause: Told, effect: Told) -> int:
    if cause.kind.source == effect.kind.source:
        return 0
    return int(np.median(cause.kind.band_ns) + np.median(effect.kind.band_ns))


def _differing(
    now: Floats, before: Floats, value: Floats, t_ns: Ints, effect: Told, cause: Told
) -> Iterator[Relation]:
    known = ~np.isnan(now) & ~np.isnan(before)
    now, before, value, t_ns = now[known], before[known], value[known], t_ns[known]
    equal = _equal(value, now)
    if len(np.unique(now)) < FEWEST or equal.mean() > 1 - SHARE:
        return
    says = f"{_SAYS[effect.kind.table]} {effect.name}"
    where = "the wire" if cause.kind.rank == 0 else cause.party
    for problem, words, holds, asked in _tried(now, before, value):
        count = int((holds & asked).sum())
        if count < FEWEST or count < SHARE * asked.sum():
            continue
        if problem == "factor" and effect.unit != cause.unit:
            continue  # another unit, by its name
        when = t_ns[holds & asked]
        yield Relation(
            problem,
            f"{says} {words.format(where=where)}",
            count,
            int(asked.sum()),
            int(when[0]),
            int(when[-1]),
        )
        return


def _tried(now: Floats, before: Floats, value: Floats) -> Iterator[tuple[str, str, Truths, Truths]]:
    """Every relation: its name, words, for which pairs it holds, and of which it is asked."""
    changed = ~_equal(now, before)
    yield "stale", "as {where} said it one poll earlier", _equal(value, before), changed
    every = np.ones(len(now), np.bool_)
    whole = (now == np.round(now)) & (now >= 0) & (now <= 0xFFFF)
    word = np.where(whole, now, 0).astype(np.int64)
    swapped = ((word & 0xFF) << 8 | word >> 8).astype(np.float64)
    yield "swapped", "with the bytes {where} sent in the other order", _equal(value, swapped), whole
    signed = np.where(word >= 0x8000, word - 0x10000, word + 0x10000).astype(np.float64)
    wrapped = whole & (np.abs(value - now) > 0x7FFF)
    if wrapped.mean() > 1 - SHARE:
        yield "sign", "with another sign than {where}", _equal(value, signed), wrapped
    if _counts(now) or _counts(value):
        return  # two counters keep pace, whatever they count
    off = float(np.median(value - now))
    if off:
        words = f"{abs(off):g} {'more' if off > 0 else 'less'} than {{where}}"
        yield "offset", words, _equal(value, now + off), every
    there = now != 0
    factor = float(np.median(value[there] / now[there])) if there.any() else 1.0
    if factor and not _is_power_of_ten(factor):
        yield "factor", f"{factor:g} times what {{where}} said", _near(value, now * factor), there


def _counts(values: Floats) -> bool:
    """Whether values only ever rise, or only ever fall."""
    steps = np.diff(values)
    return bool((steps >= 0).all() or (steps <= 0).all())


def _equal(one: Floats, other: Floats) -> Truths:
    found: Truths = np.abs(one - other) <= SAME * np.maximum(np.abs(one), 1)
    return found


def _near(one: Floats, other: Floats) -> Truths:
    """Equal within what rounding to three digits leaves."""
    found: Truths = np.abs(one - other) <= 1e-3 * np.abs(one)
    return found


def _is_power_of_ten(factor: float) -> bool:
    exponent = np.log10(abs(factor))
    return bool(factor > 0 and abs(exponent - round(exponent)) < 1e-6)


def _invented(cause: Told, effect: Told, unheard: Truths) -> Iterator[Relation]:
    """Values of all ones while nothing came from the wire, which it never says else."""
    ones = np.isin(effect.values, ALL_ONES)
    made_up = ones & unheard
    if not made_up.any() or cause.kind.rank or np.isin(cause.values, ALL_ONES).any():
        return
    when = effect.kind.from_ns[made_up]
    value = float(effect.values[made_up][0])
    words = f"{_SAYS[effect.kind.table]} {effect.name} {value:g} while no reply came on the wire"
    yield Relation(
        "invented", words, int(made_up.sum()), int(unheard.sum()), int(when[0]), int(when[-1])
    )


def _finding(cause: Told, effect: Told, found: Relation, words: Words) -> Finding:
    pairs = f"{found.pairs:,} of {counted(found.of, 'value')}"
    summary = (
        f"{effect.party} {found.words} ({pairs}), first at {words.at(found.first_ns)}, "
        f"last at {words.at(found.last_ns)}"
    )
    evidence: dict[str, Any] = {
        "problem": found.problem,
        "field": effect.name,
        "kind": effect.kind.name,
        "from_party": cause.party,
        "from_kind": cause.kind.name,
        "from_field": cause.name,
        "count": found.pairs,
        "of": found.of,
        "first_ns": found.first_ns,
        "last_ns": found.last_ns,
    }
    source = effect.kind.source
    return Finding(found.first_ns, RULE, "warning", effect.party, source, summary, evidence)

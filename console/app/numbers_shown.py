"""What the numbers screen shows of chosen fields: their series, and how one follows another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from console.app.widgets.plot_lane import PlotSeries
from console.bench.rules import Limits, Rule
from console.timeline.numbers.described_numbers import number_at
from console.timeline.numbers.gains import gain_words, gains_set, in_force
from console.timeline.numbers.number_limits import limits_of
from console.timeline.numbers.number_series import NumericField, Tables, numbers_of
from console.timeline.numbers.numeric_fields import Packets, numeric_fields
from console.timeline.numbers.step_response import SETTLED_SHARE, StepResponse
from console.timeline.numbers.step_tables import steps_of
from console.timeline.numbers.target_pairs import TargetPair, pairs_of_target

FIRST_SHOWN = 3  # fields, before the user has chosen any


@dataclass(frozen=True, slots=True)
class Numbered:
    """The fields of a run, and which to show first."""

    fields: tuple[NumericField, ...]
    pairs: tuple[TargetPair, ...]
    first: tuple[NumericField, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """Chosen fields, read."""

    series: tuple[PlotSeries, ...]
    pair: TargetPair | None  # of those chosen
    steps: tuple[StepResponse, ...]
    gains: tuple[str, ...] = ()  # of each step those in force, in words, from outside


@dataclass(frozen=True, slots=True, eq=False)
class NumberSource:
    """Where the numbers come from; all of it is read and nothing changed, on any thread."""

    tables: Tables
    rules: Sequence[Rule]
    packets: Packets

    def numbered(self) -> Numbered:
        """Every field, and those to begin with."""
        fields = tuple(numeric_fields(self.tables, self.packets))
        pairs = tuple(pairs_of_target(fields))
        return Numbered(fields, pairs, first_choice(fields, pairs, self.rules, self.packets))

    def shown(
        self,
        fields: Sequence[NumericField],
        pair: TargetPair | None,
        before: Sequence[PlotSeries] = (),
        settled_share: float = SETTLED_SHARE,
    ) -> Shown:
        """The chosen fields, read.

        Args:
            fields: what is chosen, in order.
            pair: which of them is the set point of which, if any.
            before: series of this source that were read already.
            settled_share: half-width of the band of settling, as a share of the way.
        """
        series = []
        for number, field in enumerate(fields, 1):
            holds = pair is not None and field.key == pair.target.key
            had = (s for s in before if s.series.field == field and s.number == number)
            kept = next((s for s in had if s.holds == holds), None)
            series.append(kept or self._read(field, number, holds=holds, before=before))
        if pair is None:
            return Shown(tuple(series), None, ())
        target, measured = (
            next(s.series for s in series if s.series.field.key == field.key)
            for field in (pair.target, pair.measured)
        )
        steps = steps_of(pair, target, measured, settled_share)
        settings = gains_set(self.tables)
        gains = [gain_words(in_force(settings, step.at_ns, pair.measured)) for step in steps]
        return Shown(tuple(series), pair, tuple(steps), tuple(gains))

    def _read(
        self, field: NumericField, number: int, *, holds: bool, before: Sequence[PlotSeries]
    ) -> PlotSeries:
        had = next((s for s in before if s.series.field == field), None)
        if had is not None:
            return PlotSeries.of(had.series, had.limits, number, holds=holds)
        limits = limits_of(field, self.tables, self.rules, self.packets)
        return PlotSeries.of(numbers_of(self.tables, field), limits, number, holds=holds)


def first_choice(
    fields: Sequence[NumericField],
    pairs: Sequence[TargetPair],
    rules: Sequence[Rule],
    packets: Packets,
) -> tuple[NumericField, ...]:
    """What to show before the user chose: a set point with what follows it, else what has limits.

    Of each subject one, those limited by rules first, then by descriptions, then latencies and what
    has a unit; fields that never change are left out.
    """
    if pairs:
        return (pairs[0].target, pairs[0].measured)
    ranked = sorted(
        (field for field in fields if field.varies), key=lambda f: _rank(f, rules, packets)
    )
    by_subject: dict[tuple[str, str, str], NumericField] = {}
    for field in ranked:
        by_subject.setdefault((field.table, field.party, field.subject), field)
    return tuple(by_subject.values())[:FIRST_SHOWN]


def _rank(field: NumericField, rules: Sequence[Rule], packets: Packets) -> int:
    if any(
        isinstance(rule, Limits) and (rule.table, rule.field) == (field.table, field.path)
        for rule in rules
    ):
        return 0
    for kind in packets[field.party].kinds if field.party in packets else ():
        number = number_at(kind, field.steps) if kind.name == field.subject else None
        if number is not None and (number.low is not None or number.high is not None):
            return 1
    if field.path == "latency_ns":
        return 2
    return 3 if field.unit else 4

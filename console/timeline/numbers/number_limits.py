"""Between which values a number should stay, by the rules of the bench and packet descriptions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import reduce

import polars as pl

from console.bench.conditions import condition
from console.bench.rules import Limits, Rule
from console.timeline.numbers.described_numbers import number_at
from console.timeline.numbers.number_series import NumberSeries, NumericField, Tables
from console.timeline.numbers.numeric_fields import Packets
from decoders.packets.layout import PacketKind

_TASTED = 2_000  # rows looked at to tell whether a rule's condition chooses any of a field's


@dataclass(frozen=True, slots=True)
class NumberLimit:
    """What a number is allowed to be; both ends are allowed values."""

    low: float | None
    high: float | None
    origin: str  # the rule's name, or what of the packet description says so

    def outside(self, series: NumberSeries) -> int:
        """How many values are not allowed."""
        low = 0 if self.low is None else int((series.values < self.low).sum())
        return low + (0 if self.high is None else int((series.values > self.high).sum()))


def limits_of(
    field: NumericField, tables: Tables, rules: Sequence[Rule], packets: Packets
) -> list[NumberLimit]:
    """The limits of a number, those of rules first; each pair of values once.

    Args:
        field: the number.
        tables: the tables of the run: a rule counts when its condition chooses some of the rows.
        rules: of the bench.
        packets: packet descriptions by device: allowed ranges, and the time for a reply.
    """
    found: dict[tuple[float | None, float | None], NumberLimit] = {}
    for limit in (*_of_rules(field, tables, rules), *_of_packets(field, packets)):
        found.setdefault((limit.low, limit.high), limit)
    return list(found.values())


def _of_rules(field: NumericField, tables: Tables, rules: Sequence[Rule]) -> Iterator[NumberLimit]:
    for rule in rules:
        if not isinstance(rule, Limits) or (rule.table, rule.field) != (field.table, field.path):
            continue
        if rule.where and not _chooses(rule, field, tables[field.table]):
            continue
        yield NumberLimit(_float(rule.min), _float(rule.max), rule.name or "limits")


def _chooses(rule: Limits, field: NumericField, frame: pl.DataFrame) -> bool:
    """Whether a rule's condition holds for rows of the field's subject, of some spread over all."""
    own = reduce(lambda a, b: a & b, (pl.col(c) == v for c, v in field.selects))
    rows = frame.filter(own)
    step = max(1, rows.height // _TASTED)
    return condition(rule.where, rule.table).rows(rows.gather_every(step)).height > 0


def _of_packets(field: NumericField, packets: Packets) -> Iterator[NumberLimit]:
    kinds: Sequence[PacketKind] = packets[field.party].kinds if field.party in packets else ()
    if field.table == "packets":
        for kind in kinds:
            number = number_at(kind, field.steps) if kind.name == field.subject else None
            if number is not None and (number.low is not None or number.high is not None):
                yield NumberLimit(_float(number.low), _float(number.high), "allowed range")
    elif field.table == "exchanges" and field.path == "latency_ns":
        for kind in kinds:
            if kind.answers == field.subject and kind.within_ns is not None:
                yield NumberLimit(None, float(kind.within_ns), f"{kind.name} within")


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)

"""The rules of a bench as folds, with the default ones for what they leave open."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TypeVar

from console.bench import rules as written
from console.bench.model import Bench
from console.watch.cadence import Cadence
from console.watch.check_code import CHECKS, PacketProblems, TransactionCheckCode
from console.watch.defaults import default_rules
from console.watch.limits import Limits
from console.watch.line_held import LineHeld
from console.watch.names import Names
from console.watch.pattern import Pattern
from console.watch.payload_schema import PayloadSchema
from console.watch.ranging import Ranging
from console.watch.reply_within import ReplyWithin
from console.watch.rule import Rule
from console.watch.sequence import Sequence
from console.watch.servo_signal import ServoSignal
from console.watch.stops import Limits as StopLimits
from console.watch.stops_answering import StopsAnswering

Written = TypeVar("Written", written.StopsAnswering, written.CheckCode, written.LineHeld)


def names_of(bench: Bench, bus_sources: Mapping[str, str] | None = None) -> Names:
    """Who is who on a bench; `bus_sources` adds buses that were found and not described."""
    parties = {device.name: device.party for device in bench.devices if device.party}
    parties |= {source.name: source.party for source in bench.sources if source.party}
    parties |= {each.name: each.party for spi in bench.spis for each in spi.device if each.party}
    parties |= {each.name: each.party for each in bench.pulses if each.party}
    parties |= {each.name: each.party for each in bench.servos if each.party}
    parties |= {each.name: each.party for each in bench.rangings if each.party}
    return Names(
        devices={(device.bus, device.address): device.name for device in bench.devices},
        parties=parties,
        bus_sources={**(bus_sources or {}), **{bus.name: bus.source for bus in bench.buses}},
    )


def rules_for(
    bench: Bench,
    *,
    described: Collection[str] = (),
    bus_sources: Mapping[str, str] | None = None,
    defaults: bool = True,
    wires: bool = True,
) -> list[Rule]:
    """The rules of a bench, and the default ones for what they leave open.

    Args:
        bench: `Bench()` for loose files.
        described: devices with packet descriptions.
        bus_sources: the source of each bus that was found.
        defaults: whether the default rules are added.
        wires: whether there may be a capture, for default rules to be about.

    Raises:
        DescriptionError: if a rule of a bench that was made in code does not fit the tables.
    """
    names = names_of(bench, bus_sources)
    stops = _named(bench, written.StopsAnswering)
    checks = _named(bench, written.CheckCode)
    held = _named(bench, written.LineHeld)
    made: list[Rule] = []
    for rule in bench.rules:
        match rule:
            case written.StopsAnswering():
                made.append(_stops_answering(rule, names, _others(stops, rule.device)))
            case written.CheckCode():
                made += _check_codes(rule, names, _others(checks, rule.device), described)
            case written.ReplyShape():
                pass  # about a whole run: `console/pipeline/run_findings.py`
            case written.LineHeld():
                made.append(_line_held(rule, _others(held, rule.bus)))
            case _:
                made.append(_about_rows(rule, names))
    if wires:
        made += [ServoSignal(each, names.party(each.name)) for each in bench.servos]
        made += [Ranging(each, names.party(each.name)) for each in bench.rangings]
    made += [PayloadSchema(topic) for topic in bench.topics if topic.is_read]
    if defaults:
        made += default_rules(
            names,
            described,
            stops_elsewhere=_left(stops),
            checks_elsewhere=_left(checks),
            held_elsewhere=_left(held),
            wires=wires,
        )
    return made


def _named(bench: Bench, kind: type[Written]) -> list[str | None]:
    """The devices or buses that rules of a kind are about; None for a rule about all."""
    return [
        rule.bus if isinstance(rule, written.LineHeld) else rule.device
        for rule in bench.rules
        if isinstance(rule, kind)
    ]


def _left(named: list[str | None]) -> list[str] | None:
    """What rules name by themselves; None when one of them is about all."""
    return None if None in named else [name for name in named if name is not None]


def _others(named: list[str | None], own: str | None) -> list[str]:
    """What a rule about all leaves to others; a rule about one needs nothing left out."""
    return [] if own is not None else [name for name in named if name is not None]


def _stops_answering(rule: written.StopsAnswering, names: Names, others: list[str]) -> Rule:
    limits = StopLimits(rule.after_polls, rule.silence_periods)
    return StopsAnswering(names, limits, rule.severity, only=rule.device, others=others)


def _check_codes(
    rule: written.CheckCode, names: Names, others: list[str], described: Collection[str]
) -> list[Rule]:
    packets = PacketProblems(
        "check-code",
        names,
        only=CHECKS,
        device=rule.device,
        others=others,
        severity=rule.severity,
    )
    transactions = TransactionCheckCode(
        names, device=rule.device, others=[*others, *described], severity=rule.severity
    )
    return [packets, transactions]


def _line_held(rule: written.LineHeld, others: list[str]) -> Rule:
    return LineHeld(
        rule.hold_ns, bus=rule.bus, others=others, name=rule.name, severity=rule.severity
    )


def _about_rows(
    rule: written.Limits
    | written.Cadence
    | written.Sequence
    | written.ReplyWithin
    | written.Pattern,
    names: Names,
) -> Rule:
    match rule:
        case written.Limits():
            return Limits(
                rule.table,
                rule.field,
                names,
                low=rule.min,
                high=rule.max,
                where=rule.where,
                name=rule.name,
                severity=rule.severity,
            )
        case written.Cadence():
            return Cadence(
                rule.table,
                names,
                where=rule.where,
                period_ns=rule.period_ns,
                tolerance=rule.tolerance,
                silence_ns=rule.silence_ns,
                name=rule.name,
                severity=rule.severity,
            )
        case written.Sequence():
            return Sequence(
                rule.table,
                rule.field,
                names,
                where=rule.where,
                wrap=rule.wrap,
                name=rule.name,
                severity=rule.severity,
            )
        case written.ReplyWithin():
            return _reply_within(rule, names)
        case written.Pattern():
            return Pattern(
                rule.table,
                rule.where,
                names,
                summary=rule.summary,
                name=rule.name,
                severity=rule.severity,
            )


def _reply_within(rule: written.ReplyWithin, names: Names) -> Rule:
    keys = None
    if rule.request_key is not None and rule.reply_key is not None:
        keys = (rule.request_key, rule.reply_key)
    return ReplyWithin(
        (rule.request_table, rule.request_where),
        (rule.reply_table, rule.reply_where),
        rule.within_ns,
        names,
        keys=keys,
        slack_ns=rule.slack_ns,
        name=rule.name,
        severity=rule.severity,
    )

"""What the tables of a bench file must keep to among each other; all of it is told at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import msgspec
import polars as pl

from console.bench.broker_checks import broker_problems, broker_remarks
from console.bench.conditions import Kind, condition, value_of
from console.bench.line_checks import one_role_each
from console.bench.lines import PulseLine, Ranging, Servo, Spi, Uart
from console.bench.model import (
    About,
    Bus,
    CaptureSource,
    Device,
    Mark,
    MessagesSource,
    NetworkSource,
    PrintsSource,
    Source,
)
from console.bench.ports import parsed_port
from console.bench.rules import (
    Cadence,
    CheckCode,
    Limits,
    LineHeld,
    Pattern,
    ReplyShape,
    ReplyWithin,
    Rule,
    StopsAnswering,
)
from console.bench.rules import Sequence as SequenceRule
from decoders.errors import DescriptionError
from decoders.prints.pattern import LinePattern
from decoders.toml_lines import Document, closest_hint
from decoders.toml_scan import Path

T = TypeVar("T")

# UM10204 Rev. 7 table 4: 7-bit addresses with a meaning of their own.
_RESERVED = (
    (0x00, 0x00, "the general call"),
    (0x01, 0x01, "CBUS"),
    (0x02, 0x02, "another bus format"),
    (0x03, 0x03, "future use"),
    (0x04, 0x07, "the Hs-mode controller code"),
    (0x78, 0x7B, "10-bit addressing"),
    (0x7C, 0x7F, "the device ID"),
)


@dataclass(frozen=True, slots=True)
class At(Generic[T]):
    """One table of the file and where it stands."""

    path: Path
    table: T


@dataclass(slots=True)
class Parts:
    """The tables that are right by themselves, by kind."""

    document: Document
    bench: At[About] | None = None
    sources: list[At[Source]] = field(default_factory=list)
    buses: list[At[Bus]] = field(default_factory=list)
    devices: list[At[Device]] = field(default_factory=list)
    marks: list[At[Mark]] = field(default_factory=list)
    rules: list[At[Rule]] = field(default_factory=list)
    spis: list[At[Spi]] = field(default_factory=list)
    uarts: list[At[Uart]] = field(default_factory=list)
    pulses: list[At[PulseLine]] = field(default_factory=list)
    servos: list[At[Servo]] = field(default_factory=list)
    rangings: list[At[Ranging]] = field(default_factory=list)
    elsewhere: Mapping[str, Sequence[str]] = field(default_factory=dict)  # names known besides

    def names(self, key: str) -> list[str]:
        """The names that stand in tables of one kind, right or not, and those known besides."""
        tables = self.document.data.get(key)
        rows = tables if isinstance(tables, list) else []
        names = [row.get("name") for row in rows if isinstance(row, dict)]
        here = [name for name in names if isinstance(name, str)]
        return list(dict.fromkeys([*here, *self.elsewhere.get(key, ())]))


def errors_among(parts: Parts) -> Iterator[DescriptionError]:
    """Everything wrong between tables that are right by themselves."""
    for key in ("source", "bus", "device", "spi", "pulse", "servo", "ranging"):
        yield from _twice(parts, key)
    if parts.bench is not None:
        yield from _known(parts, parts.bench.path, "axis", parts.bench.table.axis, "source")
    for source in parts.sources:
        yield from _source(parts.document, source)
    for bus in parts.buses:
        yield from _bus(parts, bus)
    yield from _devices(parts)
    for mark in parts.marks:
        yield from _mark(parts, mark)
    for rule in parts.rules:
        yield from _rule(parts, rule)
    lines: list[At[Any]] = [*parts.spis, *parts.uarts, *parts.pulses]
    lines += [*parts.servos, *parts.rangings]
    for line in lines:
        yield from _in_capture(parts, line)
    yield from one_role_each(parts.document, [(at.path, at.table) for at in (*parts.buses, *lines)])
    for ranging in parts.rangings:
        yield from _published(parts.document, ranging)


def remarks_on(parts: Parts) -> Iterator[str]:
    """What is allowed but looks odd, each with its line."""
    for source in parts.sources:
        if isinstance(source.table, MessagesSource):
            for path, words in broker_remarks(source.table):
                yield f"{parts.document.place((*source.path, *path))}: {words}"
    for at in parts.devices:
        device = at.table
        for first, last, use in _RESERVED:
            if device.address_bits == 7 and first <= device.address <= last:
                place = parts.document.place((*at.path, "address"))
                yield (
                    f"{place}: address {device.address:#04x} of {device.name} is reserved for "
                    f"{use} (UM10204 table 4)"
                )


def _twice(parts: Parts, key: str) -> Iterator[DescriptionError]:
    tables = parts.document.data.get(key)
    first: dict[str, int] = {}
    for k, row in enumerate(tables if isinstance(tables, list) else []):
        name = row.get("name") if isinstance(row, dict) else None
        if not isinstance(name, str):
            continue
        if name in first:
            line = parts.document.place((key, first[name], "name")).line
            yield parts.document.error(
                (key, k, "name"),
                f"a second {key} is named {name!r}",
                f"The first one is in line {line}; names are unique.",
            )
        else:
            first[name] = k


_PLURALS = {"source": "sources", "bus": "buses", "device": "devices"}


def _known(
    parts: Parts, path: Path, key: str, name: str | None, kind: str
) -> Iterator[DescriptionError]:
    names = parts.names(kind)
    if name is not None and name not in names:
        mend = closest_hint(name, names, _PLURALS[kind]) if names else f"Add a [[{kind}]] table."
        yield parts.document.error((*path, key), f"no {kind} is named {name!r}", mend)


def _source(document: Document, at: At[Source]) -> Iterator[DescriptionError]:
    source = at.table
    if isinstance(source, NetworkSource):
        if source.path is None:
            mend = 'Add path = "FILE", relative to this file.'
            yield document.error(at.path, f"source {source.name!r} has no path", mend)
        return
    live = {CaptureSource: "folder", PrintsSource: "port", MessagesSource: "host"}[type(source)]
    if source.path is None and getattr(source, live) is None:
        mend = f'Add path = "FILE", relative to this file, or {live} = ... to record it.'
        yield document.error(at.path, f"source {source.name!r} has no path", mend)
    if isinstance(source, MessagesSource):
        for path, words, mend in broker_problems(source):
            yield document.error((*at.path, *path), words, mend)
    if isinstance(source, PrintsSource) and source.port is not None:
        try:
            parsed_port(source.port)
        except DescriptionError as error:
            words = f"port of source {source.name!r}: {error.message}"
            yield document.error((*at.path, "port"), words, error.mend)
    if isinstance(source, PrintsSource) and source.line is not None:
        try:
            LinePattern(source.line)
        except DescriptionError as error:
            words = f"line of source {source.name!r}: {error.message}"
            mend = error.mend or r"An example: '^\[(?P<ms>\d+)\] (?P<text>.*)$', in single quotes."
            yield document.error((*at.path, "line"), words, mend)


def _bus(parts: Parts, at: At[Bus]) -> Iterator[DescriptionError]:
    bus = at.table
    yield from _known(parts, at.path, "source", bus.source, "source")
    for source in parts.sources:
        if source.table.name == bus.source and not isinstance(source.table, CaptureSource):
            words = f"source {bus.source!r} of bus {bus.name!r} is no capture"
            yield parts.document.error((*at.path, "source"), words)
    if bus.scl == bus.sda:
        words = f"scl and sda of bus {bus.name!r} are the same line {bus.sda!r}"
        yield parts.document.error((*at.path, "sda"), words, "A bus has two lines.")


def _in_capture(parts: Parts, at: At[Any]) -> Iterator[DescriptionError]:
    """Lines are of a capture."""
    name = at.table.source
    yield from _known(parts, at.path, "source", name, "source")
    for source in parts.sources:
        if source.table.name == name and not isinstance(source.table, CaptureSource):
            words = f"source {name!r} of {at.path[0]} is no capture"
            yield parts.document.error((*at.path, "source"), words, "Its lines are in a capture.")


def _published(document: Document, at: At[Ranging]) -> Iterator[DescriptionError]:
    told = at.table.published
    if told is None:
        return
    path = (*at.path, "published")
    try:
        condition(told.where, told.table, document.place((*path, "where")))
        if told.field is not None:
            value_of(told.table, told.field, Kind.NUMBER, document.place((*path, "field")))
    except DescriptionError as error:
        yield error
    if told.pattern is not None:
        try:
            pl.select(pl.lit("").str.extract(told.pattern, 1))
        except pl.exceptions.PolarsError as error:
            words = f"pattern cannot be used: {str(error).splitlines()[0]}"
            mend = "Groups that look ahead or behind are not known there."
            yield document.error((*path, "pattern"), words, mend)


def _devices(parts: Parts) -> Iterator[DescriptionError]:
    seen: dict[tuple[str, int, int], str] = {}
    for at in parts.devices:
        device = at.table
        yield from _known(parts, at.path, "bus", device.bus, "bus")
        place = (device.bus, device.address, device.address_bits)
        if place in seen:
            words = f"address {device.address:#04x} on {device.bus!r} is that of {seen[place]!r}"
            mend = "Devices on one bus have different addresses."
            yield parts.document.error((*at.path, "address"), words, mend)
        seen.setdefault(place, device.name)
        if device.packets is not None and device.packet:
            words = f"device {device.name!r} has packets in a file and in tables"
            yield parts.document.error((*at.path, "packets"), words, "Keep one of the two.")


def _mark(parts: Parts, at: At[Mark]) -> Iterator[DescriptionError]:
    mark = at.table
    yield from _known(parts, at.path, "source", mark.source, "source")
    source = next((s.table for s in parts.sources if s.table.name == mark.source), None)
    if source is None:
        return
    if isinstance(source, CaptureSource) != (mark.line is not None):
        words = f"mark {mark.name!r}: source {mark.source!r} is marked by "
        words += "line" if isinstance(source, CaptureSource) else "where"
        yield parts.document.error(at.path, words, "Captures have lines, other sources rows.")
    elif mark.where:
        table = "prints" if isinstance(source, PrintsSource) else "messages"
        try:
            condition(mark.where, table, parts.document.place((*at.path, "where")))
        except DescriptionError as error:
            yield error


def _rule(parts: Parts, at: At[Rule]) -> Iterator[DescriptionError]:
    rule = at.table
    match rule:
        case StopsAnswering() | CheckCode() | ReplyShape():
            yield from _known(parts, at.path, "device", rule.device, "device")
        case LineHeld():
            yield from _known(parts, at.path, "bus", rule.bus, "bus")
        case Limits():
            yield from _rows(parts, at, "table", "where")
            yield from _value(parts, at, "table", "field", Kind.NUMBER)
        case SequenceRule():
            yield from _rows(parts, at, "table", "where")
            yield from _value(parts, at, "table", "field", Kind.WHOLE)
        case Cadence() | Pattern():
            yield from _rows(parts, at, "table", "where")
        case ReplyWithin():
            for side in ("request", "reply"):
                yield from _rows(parts, at, f"{side}_table", f"{side}_where")
                yield from _value(parts, at, f"{side}_table", f"{side}_key", Kind.TEXT)


def _rows(parts: Parts, at: At[Rule], table: str, where: str) -> Iterator[DescriptionError]:
    values = msgspec.structs.asdict(at.table)
    key = where if values[where] else table
    try:
        condition(values[where], values[table], parts.document.place((*at.path, key)))
    except DescriptionError as error:
        yield error


def _value(
    parts: Parts, at: At[Rule], table: str, key: str, kind: Kind
) -> Iterator[DescriptionError]:
    values = msgspec.structs.asdict(at.table)
    if values[key] is None:
        return
    try:
        value_of(values[table], values[key], kind, parts.document.place((*at.path, key)))
    except DescriptionError as error:
        if not error.message.startswith("no table"):  # told by `_rows` already
            yield error


def parts_of(document: Document) -> Parts:
    """The tables of a bench file that are right by themselves."""
    parts = Parts(document)
    lists: tuple[tuple[str, Any, list[At[Any]]], ...] = (
        ("source", Source, parts.sources),
        ("bus", Bus, parts.buses),
        ("device", Device, parts.devices),
        ("mark", Mark, parts.marks),
        ("rule", Rule, parts.rules),
        ("spi", Spi, parts.spis),
        ("uart", Uart, parts.uarts),
        ("pulse", PulseLine, parts.pulses),
        ("servo", Servo, parts.servos),
        ("ranging", Ranging, parts.rangings),
    )
    for key, kind, found in lists:
        tables = document.data.get(key)
        for k, row in enumerate(tables if isinstance(tables, list) else []):
            if (table := _converted(row, kind)) is not None:
                found.append(At((key, k), table))
    about = _converted(document.data.get("bench", {}), About)
    parts.bench = None if about is None else At(("bench",), about)
    return parts


def _converted(row: object, kind: Any) -> Any:
    """The struct; None where `Document.convert` has something to tell of it, with its line."""
    try:
        return msgspec.convert(row, kind)
    except msgspec.ValidationError:
        return None

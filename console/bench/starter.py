"""A starter bench file: what was found in loose files, as commented TOML that loads again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from console.bench.lines import LineEntry
from console.bench.quoting import quoted
from console.bench.starter_lines import line_table
from console.printable import printable


@dataclass(frozen=True, slots=True)
class FoundSource:
    """A source as it was found."""

    name: str
    kind: Literal["capture", "prints", "messages", "network"]
    path: str  # as it is to stand in the file, relative to it
    offset: str | None = None  # such as "+12.5s", where the user stated one
    remarks: Sequence[str] = ()  # what was assumed, e.g. how the stamps of prints were read


@dataclass(frozen=True, slots=True)
class FoundAddress:
    """An address seen on a bus."""

    address: int
    bits: int = 7
    transactions: int = 0
    answered: bool = True


@dataclass(frozen=True, slots=True)
class FoundBus:
    """A bus, its lines by the names the capture gives them, and who is on it."""

    name: str
    source: str
    scl: str
    sda: str
    addresses: Sequence[FoundAddress] = ()
    why: str = ""  # how its lines were told


@dataclass(frozen=True, slots=True)
class FoundLine:
    """Lines that are no I2C bus, as they are read."""

    source: str
    entry: LineEntry


@dataclass(frozen=True, slots=True)
class FoundTopic:
    """A topic messages were seen on."""

    topic: str
    messages: int


def starter_text(
    name: str,
    sources: Sequence[FoundSource],
    buses: Sequence[FoundBus] = (),
    topics: Sequence[FoundTopic] = (),
    lines: Sequence[FoundLine] = (),
) -> str:
    """A bench file for these sources.

    Addresses that answered become devices, to be given their names; others are comments.

    Args:
        name: what to call the bench.
        sources: at least one; names are unique.
        buses: names are unique.
        topics: seen in message sources.
        lines: of captures, that are no I2C bus.

    Returns:
        TOML text that `load_bench` takes.
    """
    text = [
        "# What this bench is made of. Unknown keys are refused with their line, so try things.",
        "",
        "[bench]",
        f"name = {quoted(name)}",
    ]
    captures = [source.name for source in sources if source.kind == "capture"]
    if captures:
        text.append(f"axis = {quoted(captures[0])}  # its clock is the common axis")
    for source in sources:
        text += ["", *_source(source)]
    for bus in buses:
        text += ["", *_bus(bus)]
    for line in lines:
        text += ["", *line_table(line.entry, line.source)]
    text += ["", *_rules(buses, topics)]
    return "\n".join(text) + "\n"


def _source(source: FoundSource) -> Iterator[str]:
    yield "[[source]]"
    yield f"name = {quoted(source.name)}"
    yield f"kind = {quoted(source.kind)}"
    yield f"path = {quoted(source.path)}"
    if source.offset is not None:
        yield f"offset = {quoted(source.offset)}"
    elif source.kind != "capture":
        yield '# offset = "+12.5s"  # what to add to its times to get to the common axis'
    for remark in source.remarks:
        yield _comment(remark)
    if source.kind == "prints":
        yield r"# line = '^\[(?P<ms>\d+)\] (?P<level>\w+) (?P<text>.*)$'  # for other stamps"


def _bus(bus: FoundBus) -> Iterator[str]:
    yield "[[bus]]"
    yield f"name = {quoted(bus.name)}"
    yield f"source = {quoted(bus.source)}"
    yield f"scl = {quoted(bus.scl)}"
    yield f"sda = {quoted(bus.sda)}"
    if bus.why:
        yield _comment(bus.why)
    for found in bus.addresses:
        yield ""
        if not found.answered:
            yield f"# {_address(found)} was asked {_times(found.transactions)} and never answered."
            continue
        yield f"[[device]]  # {_times(found.transactions)} asked"
        yield f"name = {quoted(_device(bus, found))}  # give it its name"
        yield f"bus = {quoted(bus.name)}"
        yield f"address = {_address(found)}"
        if found.bits != 7:
            yield f"address_bits = {found.bits}"
        yield '# packets = "FILE.toml"  # what its bytes mean'


def _rules(buses: Sequence[FoundBus], topics: Sequence[FoundTopic]) -> Iterator[str]:
    yield "# Without rules of these kinds, every address is watched for stops, and every line for"
    yield "# being held."
    for bus in buses:
        for found in bus.addresses:
            if found.answered:
                yield ""
                yield "[[rule]]"
                yield 'kind = "stops-answering"'
                yield f"device = {quoted(_device(bus, found))}"
                yield "after_polls = 5"
    for seen in topics:
        condition = "topic = '" + seen.topic.replace("'", "''") + "'"
        yield ""
        yield _comment(f"{_times(seen.messages)} seen. To be told when it stays away:")
        yield "# [[rule]]"
        yield '# kind = "cadence"'
        yield '# table = "messages"'
        yield f"# where = {quoted(condition)}"
        yield '# silence = "30s"'


def _device(bus: FoundBus, found: FoundAddress) -> str:
    return f"{bus.name}-{_address(found)}"


def _address(found: FoundAddress) -> str:
    return f"0x{found.address:0{3 if found.bits == 10 else 2}X}"


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n:,} times"


def _comment(text: str) -> str:
    return "# " + printable(text)

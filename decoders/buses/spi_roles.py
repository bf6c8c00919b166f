"""Which channels of a capture are a serial peripheral bus: from names, else from behaviour."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from decoders.buses.spi_format import Select, SpiLines
from decoders.buses.spi_guess import Asked, Clocking, clocking_of, clocks_of_spans, level_at
from decoders.captures.edges import Edges

_EDGE = r"(?<![a-z]){}(?![a-z])"
# SDI and SDO are left out: which end calls them so is not told.
_NAMES = {
    "sck": re.compile(r"(?:(?<![a-z])|(?<=spi))(sclk|sck|clk)(?![a-z])", re.IGNORECASE),
    "mosi": re.compile(_EDGE.format("(mosi|copi|pico)"), re.IGNORECASE),
    "miso": re.compile(_EDGE.format("(miso|cipo|poci)"), re.IGNORECASE),
    "select": re.compile(_EDGE.format("(n?cs|n?ss|csn|ssn|csb|ce)"), re.IGNORECASE),
}
_LOOKED_AT = 40_000  # rows that behaviour is judged by
_FEWEST_CLOCKS, _FEWEST_SPANS = 24, 3
_WHOLE = 0.95  # share of selects whose clocks come in eights, and of clocks inside selects
_INSIDE = 0.8  # share of the changes of a data line that lie in selects


@dataclass(frozen=True, slots=True)
class SpiRoles:
    """The lines of a bus and how they were told."""

    name: str  # of the bus
    asked: Asked
    why: str  # one sentence for people


def spi_by_name(channels: Sequence[str], taken: Collection[int] = ()) -> list[SpiRoles]:
    """The buses that the channels' names tell: a clock, MOSI or MISO, and selects.

    With one clock, everything is its. With several, lines whose names are alike before the word
    that tells their role go together.

    Returns:
        The buses in the order of their clocks; none when no name tells.
    """
    found: dict[str, list[tuple[str, int]]] = {role: [] for role in _NAMES}
    for k, channel in enumerate(channels):
        role, before = _role(channel)
        if role and k not in taken:
            found[role].append((before, k))
    clocks = found["sck"]
    buses = []
    for number, (before, sck) in enumerate(clocks, 1):
        own = {
            role: [k for prefix, k in rows if len(clocks) == 1 or prefix == before]
            for role, rows in found.items()
        }
        if not (own["mosi"] or own["miso"]) or max(len(own["mosi"]), len(own["miso"])) > 1:
            continue
        asked = Asked(
            sck,
            next(iter(own["mosi"]), None),
            next(iter(own["miso"]), None),
            tuple((k, None) for k in own["select"]),
        )
        name = "-".join(re.findall("[0-9a-z]+", before.lower()))
        name = name if name and len(clocks) > 1 else "spi" if len(clocks) == 1 else f"spi-{number}"
        buses.append(SpiRoles(name, asked, "as their names say"))
    return buses


def _role(channel: str) -> tuple[str, str]:
    """What a channel is by its name, and what stands before the word that tells."""
    for role, pattern in _NAMES.items():
        match = pattern.search(channel.replace("_", " "))
        if match is not None:
            return role, channel[: match.start()]
    return "", ""


def spi_by_behaviour(
    edges: Edges, channels: Sequence[str], taken: Collection[int] = ()
) -> list[SpiRoles]:
    """At most one bus: a clock that runs in eights while a select is at one level.

    Nearly all clocks must come while the select is active, in multiples of eight, and one line more
    must move in step with them. Which of two data lines is MOSI cannot be told from levels.

    Args:
        edges: the beginning of the capture, without gaps; not much of it is looked at.
        channels: their names; bit k of the levels is `channels[k]`.
        taken: lines known to be something else.
    """
    part = _beginning(edges)
    if len(part.t_ns) < _FEWEST_CLOCKS:
        return []
    free = [k for k in range(len(channels)) if k not in taken]
    clocks = {k: clocking_of(part, k) for k in free}
    active = [k for k in free if len(clocks[k].row)]
    best: tuple[int, SpiRoles] | None = None
    for sck in active:
        others = [k for k in active if k != sck]
        selects = [s for k in others for s in _selects(part, clocks[sck], sck, k, clocks[k])]
        roles = _judged(part, channels, clocks, sck, selects)
        if roles is not None and (best is None or len(clocks[sck].row) > best[0]):
            best = len(clocks[sck].row), roles
    return [] if best is None else [best[1]]


def _beginning(edges: Edges) -> Edges:
    if len(edges.t_ns) <= _LOOKED_AT:
        return edges
    t_ns = edges.t_ns[:_LOOKED_AT]
    return Edges(t_ns, edges.levels[:_LOOKED_AT], edges.begins, int(t_ns[-1]))


def _selects(edges: Edges, clock: Clocking, sck: int, line: int, changes: Clocking) -> list[Select]:
    """The line as a select of the clock, if it may be one."""
    if len(clock.row) < 2 * _FEWEST_CLOCKS or len(changes.row) > len(clock.row) // 4:
        return []
    found = []
    for active_high in (False, True):
        select = Select(line, active_high)
        counts = clocks_of_spans(edges, clock, SpiLines(sck, line + 1, None, (select,)), rises=True)
        whole = np.count_nonzero(counts % 8 == 0)
        selected = len(changes.row) // 2
        if whole >= max(_FEWEST_SPANS, _WHOLE * len(counts), _WHOLE * (selected - 1)):
            found.append((int(counts.sum()), select))
    return [max(found, key=lambda one: one[0])[1]] if found else []


def _judged(
    edges: Edges,
    channels: Sequence[str],
    clocks: dict[int, Clocking],
    sck: int,
    selects: Sequence[Select],
) -> SpiRoles | None:
    """The bus of a clock and selects, if it has data and hardly any clock outside selects."""
    if not selects:
        return None
    on = np.zeros(len(edges.t_ns), np.bool_)
    for select in selects:
        on |= level_at(edges, select.line) == select.active_high
    before = np.append(on[:1], on[:-1])
    if before.take(clocks[sck].row).mean() < _WHOLE:
        return None
    used = {sck, *(select.line for select in selects)}
    data = [
        k
        for k, changes in clocks.items()
        if k not in used and len(changes.row) and (on | before).take(changes.row).mean() > _INSIDE
    ]
    data = sorted(sorted(data, key=lambda k: -len(clocks[k].row))[:2])
    if not data:
        return None
    names = ", ".join(repr(channels[select.line]) for select in selects)
    asked = Asked(sck, data[0], data[1] if len(data) > 1 else None)
    asked = replace(asked, selects=tuple((s.line, s.active_high) for s in selects))
    why = f"clocks of {channels[sck]!r} come in eights while {names} selects"
    if len(data) > 1:
        why += "; which of the data lines is MOSI cannot be told: the first is taken"
    return SpiRoles("spi", asked, why)

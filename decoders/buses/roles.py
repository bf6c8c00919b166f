"""Which channels of a capture are SCL and SDA of a bus: from names, else from behaviour."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.buses.i2c import I2cDecoder
from decoders.buses.i2c_bytes import RESTART
from decoders.buses.i2c_conditions import RISE, START, STOP, meanings
from decoders.buses.transactions import concatenated, problem_bit
from decoders.captures.edges import Edges

Bits = npt.NDArray[np.uint8]

# "SCK" is an SPI name as well; it counts only beside an SDA.
_ROLE = re.compile(r"(?:(?<![a-z])|(?<=i2c))(scl|sda|sck)(?![a-z])", re.IGNORECASE)
# "Channel 0 - SCL": the number counts inputs of the instrument, not buses.
_NUMBERED = re.compile(r"^\s*(channel|ch|input)\s*\d+\s*[-:=]?\s*", re.IGNORECASE)

_LOOKED_AT = 50_000  # rows that behaviour is judged by
_FEWEST_CLOCKS = 18  # two bytes with their acknowledges: less proves nothing
_GOOD_SHARE = 0.9  # of the transactions, and of the clocks, that must be in whole bytes
_DOUBTFUL = (
    problem_bit("cut-in-byte")
    | problem_bit("void")
    | problem_bit("begins-cut")
    | problem_bit("sda-held")
)


@dataclass(frozen=True, slots=True)
class Lines:
    """The two lines of an I2C bus and how they were told."""

    name: str  # of the bus
    scl: int  # index into the channels
    sda: int
    why: str  # one sentence for people


def buses_by_name(channels: Sequence[str]) -> list[Lines]:
    """Pair channels whose names differ only in `scl` (or `sck`) and `sda`, in any case.

    What is left of the names is the bus's name: `bus.scl` and `bus.sda` are bus `bus`, `SCL1` and
    `SDA1` bus `i2c-1`. What is left over is paired in order if there are as many of both.

    Returns:
        The buses in the order of their SCL; none when no name tells.
    """
    clocks: dict[str, int] = {}
    data: dict[str, int] = {}
    for k, channel in enumerate(channels):
        plain = _NUMBERED.sub("", channel)
        found = _ROLE.search(plain)
        if found is None:
            continue
        role = found[1].lower()
        side = data if role == "sda" else clocks
        rest = (plain[: found.start()] + "\0" + plain[found.end() :]).lower()
        # A true SCL goes before an SCK of the same bus.
        if rest not in side or (role == "scl" and "scl" not in channels[side[rest]].lower()):
            side[rest] = k
    pairs = [(rest, clocks.pop(rest), data.pop(rest)) for rest in list(clocks) if rest in data]
    left = [k for k in clocks.values() if "scl" in channels[k].lower()]
    if len(left) == len(data):  # such as "p0 (SCL)" and "p1 (SDA)": in the order they stand in
        pairs += [("\0", scl, sda) for scl, sda in zip(left, sorted(data.values()), strict=True)]
    buses: list[Lines] = []
    for number, (rest, scl, sda) in enumerate(sorted(pairs, key=lambda pair: pair[1]), 1):
        taken = [lines.name for lines in buses]
        name = _bus_name(rest, number if len(pairs) > 1 else 0)
        name = name if name not in taken else f"{name}-{number}"
        buses.append(Lines(name, scl, sda, "as their names say"))
    return buses


def buses_by_behaviour(edges: Edges, channels: Sequence[str]) -> list[Lines]:
    """Try every pair of active channels as a bus and keep the pairs that speak I2C.

    A pair is believed when its clocks come in nines between START and STOP: at least nine in ten
    transactions have an address and whole bytes, nearly every clock lies in one, and SDA hardly
    ever moves while SCL is high but for these conditions.

    Args:
        edges: the beginning of the capture, without gaps; not much of it is looked at.
        channels: their names; bit k of the levels is `channels[k]`.

    Returns:
        Pairs that share no channel, best first; none when nothing can be said.
    """
    beginning = _beginning(edges)
    levels = [_level(beginning, k) for k in range(len(channels))]
    active = [k for k, level in enumerate(levels) if (level[1:] != level[:-1]).any()]
    judged = [
        (score, Lines("", scl, sda, why))
        for scl in active
        for sda in active
        if scl != sda
        for score, why in [_judge(beginning, levels, channels, scl, sda)]
        if score > 0
    ]
    out: list[Lines] = []
    taken: set[int] = set()
    for _, lines in sorted(judged, key=lambda one: (-one[0], one[1].scl, one[1].sda)):
        if not {lines.scl, lines.sda} & taken:
            taken |= {lines.scl, lines.sda}
            number = f"i2c-{len(out) + 1}"
            out.append(Lines(number, lines.scl, lines.sda, lines.why))
    return out


def _bus_name(rest: str, number: int) -> str:
    """What the two names share; a number when that is nothing and there are several buses."""
    shared = "-".join(re.findall("[0-9a-z]+", rest))
    if shared.isdigit():
        return f"i2c-{shared}"
    return shared or (f"i2c-{number}" if number else "i2c")


def _beginning(edges: Edges) -> Edges:
    """At most _LOOKED_AT rows."""
    if len(edges.t_ns) <= _LOOKED_AT:
        return edges
    t_ns = edges.t_ns[:_LOOKED_AT]
    return Edges(t_ns, edges.levels[:_LOOKED_AT], edges.begins, int(t_ns[-1]))


def _level(edges: Edges, channel: int) -> Bits:
    """uint8[n] 0 or 1."""
    if channel >= 8 * edges.levels.itemsize:
        return np.zeros(len(edges.levels), np.uint8)
    mask = edges.levels.dtype.type(1 << channel)
    levels: Bits = np.not_equal(edges.levels & mask, 0).astype(np.uint8)
    return levels


def _judge(
    edges: Edges, levels: Sequence[Bits], channels: Sequence[str], scl: int, sda: int
) -> tuple[float, str]:
    """How well a pair speaks I2C, 0 for not at all, and why in words."""
    means = meanings(levels[scl], levels[sda])
    clocks = int(np.count_nonzero(means == RISE))
    conditions = int(np.count_nonzero((means == START) | (means == STOP)))
    if clocks < _FEWEST_CLOCKS or conditions * 2 > clocks:
        return 0.0, ""
    decoder = I2cDecoder(scl, sda)
    table = concatenated([decoder.feed(edges)[0], decoder.finish()[0]])
    closed = table.ended_by <= RESTART
    whole = closed & (table.address_bits > 0) & ((table.problems & np.uint32(_DOUBTFUL)) == 0)
    address_bytes = np.where((table.address_bits == 10) & ~table.read, 2, 1)
    used = 9 * int((np.diff(table.first) + address_bytes)[whole].sum())
    total, good = int(closed.sum()), int(whole.sum())
    # Each transaction has one clock rise more, that of the condition at its end.
    if not good or good < _GOOD_SHARE * total or used < _GOOD_SHARE * (clocks - total):
        return 0.0, ""
    why = (
        f"of {total} transactions with {channels[scl]!r} as SCL and {channels[sda]!r} as SDA,"
        f" {good} have an address and whole bytes of nine clocks"
    )
    return good / total * used / clocks, why

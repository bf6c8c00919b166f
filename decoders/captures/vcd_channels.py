"""Which one-bit lines of a value change dump become the channels of its level words."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from decoders.captures.vcd_header import Variable
from decoders.errors import CaptureError, Place

MOST_LINES = 64  # bits of a level word
_MOST_BITS = 4096  # looked at when there are only wide nets
_WITHOUT_LEVELS = frozenset({"event", "real", "realtime", "string", "parameter"})
_NUMBERS = frozenset({"integer", "time"})  # their bits are lines only when asked for
_BIT = re.compile(r"(.*)\[(-?\d+)\]", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Line:
    """One bit of one net."""

    name: str  # full name, with `[bit]` where it is a bit of something wider
    code: bytes  # identifier code of the net
    place: int  # which bit of the net, 0 the rightmost digit of its values
    size: int  # bits of the net


def default_lines(variables: Sequence[Variable]) -> tuple[list[Line], list[str]]:
    """The lines when none were asked for: one-bit nets, or else the bits of wider ones.

    Returns:
        At most MOST_LINES lines, each net once, and remarks on what was left out.
    """
    usable = [v for v in variables if v.kind not in _WITHOUT_LEVELS and v.size > 0]
    lines, aliases = _each_net_once(_scalar(v) for v in usable if v.size == 1)
    if not lines:
        wide = (v for v in usable if v.kind not in _NUMBERS)
        lines, aliases = _each_net_once(
            islice((line for v in wide for line in _bits(v)), _MOST_BITS)
        )
    remarks = [f"{name!r} is the same net as {first!r} and is left out" for name, first in aliases]
    if len(remarks) > 3:
        remarks[3:] = [f"{len(remarks) - 3} more names of nets named already are left out"]
    if len(lines) > MOST_LINES:
        remarks.append(
            f"{len(lines)} lines found, the first {MOST_LINES} are read "
            f"({lines[0].name!r} to {lines[MOST_LINES - 1].name!r})"
        )
    return lines[:MOST_LINES], remarks


def wanted_lines(
    variables: Sequence[Variable], wanted: Collection[str], place: Place
) -> list[Line]:
    """The lines asked for, each once, in the order of the declarations.

    Args:
        variables: all declared variables.
        wanted: full names, or ends of full names that fit one net only; case may differ.
        place: where to point when a name fits nothing.

    Raises:
        CaptureError: when a name fits no line, or lines of several nets.
    """
    usable = [v for v in variables if v.kind not in _WITHOUT_LEVELS and v.size > 0]
    order = {v.name: number for number, v in reversed(list(enumerate(usable)))}
    chosen = {line.name: line for line in (_one(usable, name, place) for name in wanted)}
    if not chosen or len(chosen) > MOST_LINES:
        raise ValueError(f"1 to {MOST_LINES} lines can be wanted, not {len(chosen)}")
    return sorted(
        chosen.values(),
        key=lambda line: (order.get(line.name, order.get(_base(line.name), 0)), line.place),
    )


def _one(variables: list[Variable], name: str, place: Place) -> Line:
    fits = _fitting(variables, name)
    nets = {(line.code, line.place) for line in fits}
    if len(nets) == 1:
        return fits[0]
    if nets:
        found = ", ".join(line.name for line in fits[:8])
        raise CaptureError(
            f"{name!r} fits several lines",
            place=place,
            mend=f"Give the full name of one of them: {found}.",
        )
    raise CaptureError(f"no line named {name!r}", place=place, mend=_names_found(variables, name))


def _fitting(variables: list[Variable], name: str) -> list[Line]:
    """Lines a name fits, by the strictest of: exact, other case, end of the name."""
    lines = [line for v in variables for line in _candidates(v, name)]
    folded = name.casefold()
    for group in (
        [line for line in lines if line.name == name],
        [line for line in lines if line.name.casefold() == folded],
    ):
        if group:
            return group
    return lines


def _candidates(variable: Variable, name: str) -> Iterator[Line]:
    """Lines of one variable whose names end in `name`, case apart; at most a few."""
    if variable.size == 1:
        line = _scalar(variable)
        if _ends(line.name, name) or _ends(variable.name, name):
            yield line
        return
    match = _BIT.fullmatch(name)
    if match is not None and _ends(variable.name, match[1]):
        numbers = variable.bit_numbers()
        if int(match[2]) in numbers:
            yield _bit(variable, int(match[2]))


def _ends(full: str, name: str) -> bool:
    full, name = full.casefold(), name.casefold()
    return full == name or full.endswith(f".{name}")


def _names_found(variables: list[Variable], name: str) -> str:
    for variable in variables:
        if variable.size > 1 and _ends(variable.name, name):
            first = _bit(variable, variable.left)
            return f"It has {variable.size} bits: name one of them, as in {first.name!r}."
        if variable.size > 1 and _ends(variable.name, _base(name)):
            return f"The bits of {variable.name!r} are {variable.left} to {variable.right}."
    names = [_scalar(v).name if v.size == 1 else f"{v.name}[{v.left}:{v.right}]" for v in variables]
    if not names:
        return "The file declares nothing with levels: no wire or reg."
    ends = {full.rsplit(".", 1)[-1].casefold(): full for full in reversed(names)}
    close = difflib.get_close_matches(name.rsplit(".", 1)[-1].casefold(), ends, n=1, cutoff=0.6)
    hint = f"Did you mean {ends[close[0]]!r}? " if close else ""
    more = f" and {len(names) - 12} more" if len(names) > 12 else ""
    return f"{hint}Lines found: {', '.join(names[:12])}{more}."


def _scalar(variable: Variable) -> Line:
    # `port[3]` alone is bit 3 of a port; `valid [0:0]` is just a line one bit wide.
    bit = f"[{variable.left}]" if variable.selected else ""
    return Line(variable.name + bit, variable.code, 0, 1)


def _bit(variable: Variable, number: int) -> Line:
    name = f"{variable.name}[{number}]"
    return Line(name, variable.code, abs(number - variable.right), variable.size)


def _bits(variable: Variable) -> Iterator[Line]:
    for number in reversed(variable.bit_numbers()):
        yield _bit(variable, number)


def _base(name: str) -> str:
    match = _BIT.fullmatch(name)
    return match[1] if match else name


def _each_net_once(lines: Iterable[Line]) -> tuple[list[Line], list[tuple[str, str]]]:
    """Lines without repeats of a net, and (name, first name) of each repeat."""
    first: dict[tuple[bytes, int], str] = {}
    kept: list[Line] = []
    aliases: list[tuple[str, str]] = []
    for line in lines:
        net = (line.code, line.place)
        if net in first:
            aliases.append((line.name, first[net]))
        else:
            first[net] = line.name
            kept.append(line)
    return kept, aliases

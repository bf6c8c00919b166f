"""The byte in which a line is held, drawn with characters: SCL, SDA and whose turn it was."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from console.diagnosis.held.standing import Standing

Line = Literal["sda", "scl", "both"]

_SLOTS = 9
_LABELS = ("7", "6", "5", "4", "3", "2", "1", "0", "A")
_ADDRESS_LABELS = ("6", "5", "4", "3", "2", "1", "0", "R", "A")
_WIDTH = 4  # of a slot: an edge or low, low, high, high
_MARGIN = 6


@dataclass(frozen=True, slots=True)
class _Pens:
    low: str
    high: str
    rise: str
    fall: str
    unknown: str
    arrow: str


_ASCII = _Pens("_", "~", "/", "\\", ".", "^")
_UNICODE = _Pens("▁", "▔", "╱", "╲", "·", "▲")
_TO_ASCII = str.maketrans(
    {
        getattr(_UNICODE, pen): getattr(_ASCII, pen)
        for pen in ("low", "high", "rise", "fall", "unknown", "arrow")
    }
)


def drawn(standing: Standing, line: Line, *, ascii_only: bool = False) -> list[str]:
    """The byte in five lines of text; [] when its bits are not known.

    Args:
        standing: where the line is held.
        line: which is.
        ascii_only: draw with ASCII alone.

    Returns:
        Slots (7..0, A the acknowledge), SCL, SDA, who drives (C controller, T target), and a mark
        under the slot in which it is held. What had not come yet is dotted.
    """
    if standing.slot < 0 or not standing.bits:
        return []
    pens = _ASCII if ascii_only else _UNICODE
    is_first = standing.byte == 0
    labels = _ADDRESS_LABELS if is_first else _LABELS
    mark = " " * (standing.slot * _WIDTH + 1) + pens.arrow + " held here"
    rows = [
        ("bit", "".join(label.center(_WIDTH) for label in labels)),
        ("SCL", _clock(standing.slot, line, pens)),
        ("SDA", _data(standing, pens)),
        ("turn", "".join(_turn(standing, slot).center(_WIDTH) for slot in range(_SLOTS))),
        ("", mark),
    ]
    return [(name.ljust(_MARGIN) + text).rstrip() for name, text in rows]


def in_ascii(row: str) -> str:
    """A row of a drawing with the pens of ASCII."""
    return row.translate(_TO_ASCII)


def _clock(slot: int, line: Line, pens: _Pens) -> str:
    """Each clock low, then high; the slot's own stays as it is held."""
    whole = pens.low + pens.rise + pens.high + pens.fall
    last = pens.low + pens.rise + pens.high * 2 if line == "sda" else pens.low * _WIDTH
    after = (pens.high if line == "sda" else pens.low) * 2
    rest = after + pens.unknown * (_WIDTH * (_SLOTS - 1 - slot) - 2)
    return (whole * slot + last + rest)[: _SLOTS * _WIDTH]


def _data(standing: Standing, pens: _Pens) -> str:
    """SDA moves at the beginning of a slot, while SCL is low."""
    text, before = "", standing.bits[0]
    for bit in standing.bits:
        edge = {"01": pens.rise, "10": pens.fall}.get(before + bit)
        level = pens.high if bit == "1" else pens.low
        text += (edge or level) + level * (_WIDTH - 1)
        before = bit
    level = pens.high if before == "1" else pens.low
    rest = level * 2 + pens.unknown * (_WIDTH * (_SLOTS - len(standing.bits)) - 2)
    return (text + rest)[: _SLOTS * _WIDTH]


def _turn(standing: Standing, slot: int) -> str:
    """C or T; `?` where the turn of the slot it is held in cannot be said."""
    if slot == standing.slot:
        return {"target": "T", "controller": "C"}.get(standing.turn, "?")
    is_read = bool(standing.read) and not standing.in_address
    return "T" if is_read != (slot == _SLOTS - 1) else "C"

"""Cells as rows of plain Python, and what the decoder says of the same transaction."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from decoders.buses.bit_cells import BIT, CELLS, BitCells
from decoders.buses.bit_roles import ROLES
from decoders.buses.transactions import TURNS


class Cell(NamedTuple):
    """What a cell is; times apart."""

    kind: str
    level: int
    byte: int
    slot: int
    role: str
    turn: str


def cells_of(cells: BitCells) -> list[Cell]:
    """One tuple a cell, codes as words."""
    return [
        Cell(
            *(CELLS[cells.kind[k]], int(cells.level[k]), int(cells.byte[k]), int(cells.slot[k])),
            *(ROLES[cells.role[k]], TURNS[cells.turn[k]]),
        )
        for k in range(len(cells))
    ]


def bits_of(cells: BitCells, transaction: int = 0) -> list[int]:
    """Levels of the whole clocks of one transaction."""
    mine = (cells.kind == BIT) & (cells.transaction == transaction)
    return [int(level) for level in cells.level[mine]]


def bytes_on_wire(cells: BitCells) -> tuple[list[tuple[int, bool]], int]:
    """Whole bytes of the first transaction with their acknowledges; clocks after the last."""
    mine = (cells.transaction == 0) & (cells.byte >= 0)
    ends = np.flatnonzero(mine & (cells.slot == 8) & (cells.kind == BIT))
    acked = cells.acknowledged
    whole = [(int(cells.value[k]), bool(acked[k])) for k in ends]
    clocks = int(np.count_nonzero(mine & (cells.kind == BIT)))
    return whole, clocks - 9 * len(whole)


def kinds(cells: BitCells) -> list[str]:
    """The kinds of the cells that are no bits, in order."""
    return [CELLS[kind] for kind in cells.kind if kind != BIT]


def turns(cells: Sequence[Cell]) -> str:
    """First letters of the turns of bits."""
    return "".join(cell.turn[0] for cell in cells if cell.kind == "bit")

"""A plot's cells: envelopes as dots, dots as characters, and which style each cell has.

A cell is several dots high and, in Braille, two wide; the characters come from the caller, for
terminals differ. Styles are small numbers here; the widget knows what they look like.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Dots:
    """How many dots a cell has, and the character for every set of them.

    Bit k of an index stands for dot k, counted down the left column, then down the next.
    """

    high: int
    wide: int
    characters: str  # 2 ** (high * wide) of them


class Canvas:
    """Cells of one plot area, blank at first.

    Args:
        rows: cells high.
        columns: cells wide.
        dots: of every cell.
    """

    def __init__(self, rows: int, columns: int, dots: Dots) -> None:
        self.rows, self.columns, self.dots = rows, columns, dots
        self.characters = np.full((rows, columns), " ")
        self.styles = np.zeros((rows, columns), np.uint8)
        self._dots = np.zeros((rows, columns), np.int64)

    @property
    def dot_columns(self) -> int:
        """Columns an envelope has to have."""
        return self.columns * self.dots.wide

    def draw(self, low: Floats, high: Floats, bottom: float, top: float, style: int) -> Bools:
        """Draw an envelope: every column from its lowest to its highest value.

        Args:
            low: float64[dot_columns]; not-a-number where there is nothing.
            high: as `low`.
            bottom: the value at the lowest dot.
            top: the value at the highest dot; more than `bottom`.
            style: of its cells.

        Returns:
            bool[rows, columns]: which cells it touches.
        """
        count = self.rows * self.dots.high
        with np.errstate(invalid="ignore"):
            upper = np.rint((top - high) / (top - bottom) * (count - 1))
            lower = np.rint((top - low) / (top - bottom) * (count - 1))
        at = np.arange(count)[:, None]
        drawn = (at >= upper) & (at <= lower)  # not-a-number compares as false
        cells = drawn.reshape(self.rows, self.dots.high, self.columns, self.dots.wide)
        weights = (1 << np.arange(self.dots.high * self.dots.wide)).reshape(self.dots.wide, -1).T
        bits = (cells * weights[None, :, None, :]).sum(axis=(1, 3))
        touched: Bools = bits > 0
        self._dots[touched] |= bits[touched]
        table = np.array(list(self.dots.characters))
        self.characters[touched] = table[self._dots[touched]]
        self.styles[touched] = style
        return touched

    def row_of(self, value: float, bottom: float, top: float) -> int | None:
        """The row of cells a value lies in; None outside."""
        if not bottom <= value <= top:
            return None
        count = self.rows * self.dots.high
        return round((top - value) / (top - bottom) * (count - 1)) // self.dots.high

    def line(self, row: int, character: str, style: int) -> None:
        """Draw across a row, where it is blank."""
        blank = self.characters[row] == " "
        self.characters[row, blank] = character
        self.styles[row, blank] = style

    def runs(self) -> list[list[tuple[str, int]]]:
        """Every row as texts of one style each."""
        rows, after = np.nonzero(np.diff(self.styles, axis=1))
        cuts: list[list[int]] = [[0] for _ in range(self.rows)]
        for row, column in zip(rows.tolist(), after.tolist(), strict=True):
            cuts[row].append(column + 1)
        found = []
        for row, starts in enumerate(cuts):
            text = "".join(self.characters[row].tolist())
            spans = pairwise([*starts, self.columns])
            found.append([(text[a:b], int(self.styles[row, a])) for a, b in spans])
        return found

    def with_cursor(self, column: int, sign: str, style: int, lit: int, over: str) -> Canvas:
        """A copy with a line down a column, behind what is drawn there.

        Args:
            column: where.
            sign: of the line.
            style: of the line.
            lit: added to the style of what is drawn there.
            over: characters the line covers, beside blanks.
        """
        copy = Canvas(self.rows, self.columns, self.dots)
        copy.characters, copy.styles = self.characters.copy(), self.styles.copy()
        blank = np.isin(copy.characters[:, column], [" ", over])
        copy.characters[blank, column] = sign
        copy.styles[blank, column] = style
        copy.styles[~blank, column] += lit
        return copy

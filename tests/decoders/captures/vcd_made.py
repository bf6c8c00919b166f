"""Value changes behind declarations made by hand: two nets of a bit, a port, a real."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoders.captures.edges import Assumed, Edges
from decoders.captures.vcd_changes import ChangeReader
from decoders.captures.vcd_channels import Line
from decoders.captures.vcd_header import Variable
from decoders.captures.vcd_levels import LevelState
from decoders.captures.vcd_place import Cursor
from decoders.captures.vcd_tables import Tables

SCL, SDA, PORT2, PORT0 = 1, 2, 4, 8  # bits of a level word
Stretch = tuple[list[tuple[int, int]], int]


@dataclass
class Dump:
    """A dump of four channels; its codes are given, as ways of reading differ by their length."""

    codes: tuple[str, str, str, str] = ("!", '"', "#", "$")
    strict: bool = False
    cursor: Cursor = field(default_factory=lambda: Cursor("cap.vcd"))
    assumed: Assumed = field(default_factory=Assumed)

    def __post_init__(self) -> None:
        scl, sda, port, real = (code.encode() for code in self.codes)
        variables = [
            Variable("wire", 1, scl, "scl", 0, 0, False),
            Variable("wire", 1, sda, "sda", 0, 0, False),
            Variable("reg", 4, port, "port", 3, 0, False),
            Variable("real", 64, real, "level", 63, 0, False),
        ]
        lines = [
            Line("scl", scl, 0, 1),
            Line("sda", sda, 0, 1),
            Line("port[2]", port, 2, 4),
            Line("port[0]", port, 0, 4),
        ]
        self.state = LevelState([line.name for line in lines], 0, self.strict, self.assumed)
        self.changes = ChangeReader(self.cursor, variables, lines, self.state, self.assumed)

    def begin(self, *more: str) -> Dump:
        """Everything low at 0, and that settled: from there on columns can be read."""
        scl, sda, port, _ = self.codes
        lines = ["#0", f"0{scl}", f"0{sda}", f"b0 {port}", *more, ""]
        self.changes.take("\n".join(lines).encode())
        self.state.settle()
        return self

    def tables(self) -> Tables:
        """What is known now, for reading by columns."""
        return Tables(self.changes, self.state.unknown, self.state.rows.dtype)

    def stretches(self) -> list[Stretch]:
        """The rows of each stretch, and until when it was observed; the end of the dump."""
        found: list[Stretch] = []
        for block in self.state.finish():
            before = [] if block.begins else found.pop()[0]
            found.append((before + rows_of(block), block.until_ns))
        return found


def rows_of(block: Edges) -> list[tuple[int, int]]:
    """Time and level word of each row."""
    return list(zip(block.t_ns.tolist(), block.levels.tolist(), strict=True))


def steps(rng: np.random.Generator, count: int, codes: list[str], most: int = 1) -> list[str]:
    """Lines of steps: a time each, and up to so many changes of the codes."""
    raw, lines = 0, list[str]()
    for step in rng.integers(1, 300, count).tolist():
        raw += step
        lines.append(f"#{raw}")
        for code in rng.integers(0, len(codes), rng.integers(1, most + 1)).tolist():
            lines.append(f"{rng.integers(2)}{codes[code]}")
    return lines

"""One line that was held, and all that is known of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from console.diagnosis.held.attempts import Attempt
from console.diagnosis.held.clocks import Clocks
from console.diagnosis.held.drawing import Line, drawn
from console.diagnosis.held.earlier import AsBefore
from console.diagnosis.held.standing import Phase, Standing, Turn
from console.diagnosis.held.writes import CouldWrite

LetGo = Literal["clocks", "stop", "by itself", "not known", ""]


@dataclass(frozen=True, slots=True)
class Held:
    """A line held low within one transaction, or outside of any.

    SDA that is low again after a burst of clocks, in the same transaction, is the same hold.

    Attributes:
        bus: its bus.
        line: which line; `both`: SCL, with SDA low all the while.
        from_ns: the last edge before it, or before the first clocks that were given to free it.
        until_ns: when SDA (SCL) rose for good, or until when it is known to have lasted.
        let_go: by what: clocks, the STOP that was tried, or neither; "" while it lasts.
        standing: where the transaction stood; None outside of any, or when that is not known.
        clocks_to_free: the clocks that free SDA, predicted; None when none can be.
        as_before: exact, if the target sends what it sent before; None when nothing tells.
        could_write: what extra clocks could write; None when nothing.
        attempts: the bursts of clocks that were given, in order; none where edges were not kept.
        words: all of it in sentences.
        edges_kept: whether what was tried could be seen.
    """

    bus: str
    line: Line
    from_ns: int
    until_ns: int
    let_go: LetGo
    standing: Standing | None
    clocks_to_free: Clocks | None
    as_before: AsBefore | None
    could_write: CouldWrite | None
    attempts: tuple[Attempt, ...]
    words: tuple[str, ...] = ()
    edges_kept: bool = True

    @property
    def address(self) -> int | None:
        """Of the target that was spoken to."""
        return self.standing.address if self.standing is not None else None

    @property
    def read(self) -> bool | None:
        """Whether that was a read."""
        return self.standing.read if self.standing is not None else None

    @property
    def byte(self) -> int | None:
        """Byte on the wire it stood in, the address 0."""
        return self.standing.byte if self.standing is not None and self.standing.byte >= 0 else None

    @property
    def bit_slot(self) -> int | None:
        """Clocks since the last byte border, 0..8."""
        return self.standing.slot if self.standing is not None and self.standing.slot >= 0 else None

    @property
    def phase(self) -> Phase:
        """What the slot is for; "" when not known."""
        return self.standing.phase if self.standing is not None else ""

    @property
    def turn(self) -> Turn:
        """Whose turn it was to drive SDA."""
        return self.standing.turn if self.standing is not None else "cannot say"

    @property
    def clocks_needed(self) -> int | None:
        """Clocks given until SDA was first high, over all tries; None when it never was.

        A try that pulled SDA low in an acknowledge made the target send more: then no number tells.
        """
        given = 0
        for attempt in self.attempts:
            if attempt.freed_at:
                return given + attempt.freed_at
            if attempt.released is False:
                return None
            given += attempt.clocks
        return None

    @property
    def as_predicted(self) -> bool | None:
        """Whether that was within the prediction: the proof of a target left in a byte.

        None when clocks never freed it, or none were foretold.
        """
        needed, clocks = self.clocks_needed, self.clocks_to_free
        if needed is None or clocks is None:
            return None
        return clocks.least <= needed <= clocks.most

    @property
    def is_zero_stream(self) -> bool:
        """Whether nine clocks did not help because SDA was low in the acknowledge too."""
        return any(attempt.is_zero_stream for attempt in self.attempts)

    def drawing(self, *, ascii_only: bool = False) -> list[str]:
        """The byte it is held in, in characters; [] when its bits are not known."""
        if self.standing is None:
            return []
        return drawn(self.standing, self.line, ascii_only=ascii_only)

"""The sensors of the corpus and their ways to fail."""

from __future__ import annotations

from captures_demo.simulator.bus import Bus
from captures_demo.simulator.corpus.variant import Part
from captures_demo.simulator.devices import RegisterFile
from captures_demo.simulator.dice import Dice

CONFIG, SET_UP, AT_RESET = 0x78, 0xA5, 0x00  # the configuration register and its values


class Sensor(RegisterFile):
    """Counts its measurements; at its register stand the count and a noisy value, two bytes each.

    Args:
        bus: the bus.
        part: what it is.
        dice: its noise.
        hold_ns: see `Target`.
        filter_ns: see `Target`.
    """

    def __init__(
        self, bus: Bus, part: Part, dice: Dice, *, hold_ns: int, filter_ns: int = 0
    ) -> None:
        super().__init__(
            bus,
            part.name,
            part.address,
            with_pec=part.pec,
            word_bytes=4,
            hold_ns=hold_ns,
            filter_ns=filter_ns,
        )
        self.part = part
        self.count = dice.between(0, 999)
        self.level = dice.between(2_000, 30_000)
        self.frozen = False
        self.settles = False  # what it measures does not wander by itself
        self.forgets = False  # a STOP makes it forget the register that was asked for
        self.scale = 1
        self.slow_ns = 0  # it holds SCL for so long after that many written bytes
        self.slow_after = 1
        self._dice = dice
        self.on_read = self.measure

    def measure(self, register: int) -> None:
        """Put a new count and value into the registers when they are asked for."""
        if register != self.part.register or self.frozen:
            return
        if not self.settles:
            self.count = self.count + 1 & 0xFFFF
            self.level = max(0, min(60_000, self.level + self._dice.between(-40, 40)))
        self.put(self.count, self.level // self.scale)

    def put(self, count: int, value: int) -> None:
        """Write count and value into the registers."""
        order = "little" if self.part.order == "little" else "big"
        words = count.to_bytes(2, order) + value.to_bytes(2, order)  # type: ignore[arg-type]
        self.registers[self.part.register : self.part.register + 4] = words

    def stopped(self) -> None:
        """A PEC ends here, and for some parts what they were asked."""
        super().stopped()
        if self.forgets:
            self._at = 0

    def stretch_ns(self, *, read: bool) -> int:
        """At one place of a write only."""
        return self.slow_ns if not read and self.taken == self.slow_after else 0

"""A bus: two lines, who may drive them, and the truth about its traffic."""

from __future__ import annotations

from captures_demo.simulator.dice import Dice
from captures_demo.simulator.ledger import FaultTruth, Hold, Ledger
from captures_demo.simulator.lines import Line, Trace
from captures_demo.simulator.schedule import Program, Schedule

NEVER_NS = 10**15  # a limit of eleven days: no limit


class Bus:
    """SCL and SDA of one I2C bus.

    Args:
        schedule: the run's event queue.
        trace: where the changes of the lines are recorded.
        name: the bus's name; also of the truth's rows.
        channels: names of the SCL and SDA channels.
        rise_ns: time from release to seen high, both lines (UM10204 table 11: at most 1000, 300
            and 120 ns in the three modes).
        seed: of the rise jitter.
        jitter_ns: a rise is up to this much later.
    """

    def __init__(
        self,
        schedule: Schedule,
        trace: Trace,
        name: str = "i2c-1",
        *,
        channels: tuple[str, str] = ("scl", "sda"),
        rise_ns: int = 300,
        seed: int = 0,
        jitter_ns: int = 0,
    ) -> None:
        self.schedule = schedule
        self.name = name
        jitter = Dice(seed, f"{name} rise")
        self.scl, self.sda = (
            Line(schedule, trace, channel, rise_ns=rise_ns, jitter=jitter, jitter_ns=jitter_ns)
            for channel in channels
        )
        self.ledger = Ledger(name)
        self.holds: list[Hold] = []
        self.faults: list[FaultTruth] = []
        self._drivers = 0

    def driver(self) -> int:
        """A new driver's mask, good for both lines."""
        self._drivers += 1
        return 1 << self._drivers

    def fault(self, kind: str, where: str, note: str = "") -> None:
        """Write down that something was made to go wrong now."""
        self.faults.append(FaultTruth(self.schedule.now_ns, kind, where, note))

    def hold(self, line: Line, driver: int, by: str) -> Hold:
        """Pull a line that should be free, and write it down; end it with `let_go`.

        SDA pulled with both lines high is a START on the wire.
        """
        hold = Hold(line.name, by, self.schedule.now_ns)
        self.holds.append(hold)
        if line is self.sda and self.sda.driven and self.scl.driven:
            self.ledger.start(self.schedule.now_ns)
        line.pull(driver)
        return hold

    def let_go(self, hold: Hold, driver: int) -> None:
        """End a hold."""
        hold.end_ns = self.schedule.now_ns
        if hold.line == self.sda.name:
            self.free_sda(driver)
        else:
            self.scl.release(driver)

    def free_sda(self, driver: int) -> None:
        """Let go of SDA at any time: with SCL high, its rise is a STOP on the wire."""
        self.sda.release(driver)
        if not self.sda.driven:
            self.schedule.start(self._watch_sda())

    def _watch_sda(self) -> Program[None]:
        yield self.sda.rise_within(NEVER_NS)
        if self.scl.driven and self.ledger.open:
            self.ledger.stop(self.schedule.now_ns)
